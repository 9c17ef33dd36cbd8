from __future__ import annotations

import io
from typing import Any

import numpy as np
import psycopg
import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image

from api.photos import MOST_BYTES, cleaned

pytestmark = pytest.mark.stack


def picture(kind: str, exif: Image.Exif | None = None, **more: Any) -> bytes:
    """A real picture, as an image library writes it: wide, its left half red."""
    made = Image.new("RGB", (40, 30), "white")
    made.paste((255, 0, 0), (0, 0, 20, 30))
    out = io.BytesIO()
    made.save(out, kind, **({"exif": exif} if exif else {}), **more)
    return out.getvalue()


def taken_somewhere(orientation: int = 6) -> Image.Exif:
    """What a phone writes beside a picture; names and numbers of CIPA DC-008 (Exif 2.32), 4.6."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Model] = "model of the phone"
    exif[ExifTags.Base.DateTime] = "2026:01:20 15:30:00"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (40.0, 6.0, 0.0)
    return exif


def send(
    client: TestClient, body: bytes, key: str = "key-of-a-picture", unit: str = "u-0001"
) -> tuple[int, dict[str, object]]:
    answer = client.post(f"/v1/units/{unit}/photos", params={"key": key}, content=body)
    return answer.status_code, answer.json()


@pytest.mark.published
@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
def test_a_picture_is_kept_upright_without_where_and_with_what_it_was_taken(kind: str) -> None:
    # CIPA DC-008, 4.6.4: orientation 6 has the first row at the right, so the left half of what is stored is the top.
    sent = picture(kind, taken_somewhere())
    assert b"model of the phone" in sent
    kept = cleaned(sent)
    assert kept is not None
    assert b"model of the phone" not in kept
    with Image.open(io.BytesIO(kept)) as shown:
        assert shown.format == "JPEG"
        assert dict(shown.getexif()) == {}
        assert not {"exif", "xmp", "comment"} & set(shown.info)
        assert shown.size == (30, 40)
        top, bottom = shown.getpixel((15, 5)), shown.getpixel((15, 35))
    assert np.abs(np.subtract(top, (255, 0, 0))).max() < 12
    assert np.abs(np.subtract(bottom, (255, 255, 255))).max() < 12


def test_a_large_picture_is_made_small_enough_to_look_at_on_a_phone() -> None:
    out = io.BytesIO()
    Image.effect_noise((4_000, 3_000), 60).save(out, "jpeg")
    kept = cleaned(out.getvalue())
    assert kept is not None
    assert len(kept) < 1_500_000
    with Image.open(io.BytesIO(kept)) as shown:
        assert shown.size == (1_600, 1_200)


def test_what_is_no_picture_that_a_browser_should_show_is_not_taken() -> None:
    assert cleaned(picture("gif")) is None
    assert cleaned(b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>") is None
    assert cleaned(b"") is None
    assert cleaned(picture("png")[:60]) is None
    # A few kilobytes that would unpack to hundreds of megabytes.
    out = io.BytesIO()
    Image.new("1", (12_000, 12_000)).save(out, "png")
    assert len(out.getvalue()) < 50_000
    assert cleaned(out.getvalue()) is None


@given(st.binary(max_size=300), st.integers(0, 700))
@settings(max_examples=60, deadline=None)
def test_whatever_is_sent_it_is_a_picture_or_refused(noise: bytes, place: int) -> None:
    for kind in ("jpeg", "png", "webp"):
        whole = picture(kind)
        cleaned(whole[:place] + noise + whole[place:])


def test_a_picture_is_kept_once_and_shown_on_the_units_page(writable: TestClient) -> None:
    body = picture("jpeg")
    status, first = send(writable, body)
    assert status == 201
    assert first["bytes"] == len(cleaned(body) or b"")
    assert send(writable, body) == (201, first)
    assert writable.get("/v1/units/u-0001/photos").json()["items"] == [first]
    shown = writable.get(f"/v1/units/u-0001/photos/{first['photo']}")
    assert shown.content == cleaned(body)
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert f"/photos/{first['photo']}" in writable.get("/units/u-0001").text
    assert writable.get(f"/v1/units/u-0002/photos/{first['photo']}").status_code == 404


def test_what_is_too_large_or_no_picture_or_anothers_key_is_refused_with_the_reason(writable: TestClient) -> None:
    status, told = send(writable, picture("png") + bytes(MOST_BYTES))
    assert status == 413
    assert "12 MB" in str(told["detail"])
    assert send(writable, b"GIF89a")[0] == 415
    assert send(writable, picture("png"))[0] == 201
    assert send(writable, picture("png"), unit="u-0002")[0] == 409
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        assert conn.execute("select count(*) from photo").fetchone() == (1,)


def test_the_form_without_script_takes_the_picture_with_the_visit(writable: TestClient) -> None:
    form = {"at": "2026-01-23T15:30", "work": "other", "key": "key-of-this-visit"}
    for _ in range(2):
        answer = writable.post(
            "/units/u-0001/visits",
            data=form,
            files={"photo": ("plate.jpg", picture("jpeg"), "image/jpeg")},
            follow_redirects=False,
        )
        assert answer.status_code == 303
    assert len(writable.get("/v1/units/u-0001/photos").json()["items"]) == 1
    assert len(writable.get("/v1/units/u-0001/visits").json()["items"]) == 2
