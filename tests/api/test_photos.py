from __future__ import annotations

import io

import psycopg
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from api.photos import MOST_BYTES, media_type

pytestmark = pytest.mark.stack


def picture(kind: str) -> bytes:
    """A real picture, as an image library writes it."""
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "white").save(out, kind)
    return out.getvalue()


def send(
    client: TestClient, body: bytes, key: str = "key-of-a-picture", unit: str = "u-0001"
) -> tuple[int, dict[str, object]]:
    answer = client.post(f"/v1/units/{unit}/photos", params={"key": key}, content=body)
    return answer.status_code, answer.json()


@pytest.mark.published
@pytest.mark.parametrize("kind", ["jpeg", "png", "webp"])
def test_a_picture_is_known_by_how_it_begins(kind: str) -> None:
    # Pillow, the reference here, writes the files.
    assert media_type(picture(kind)) == f"image/{kind}"


def test_what_is_no_picture_that_a_browser_should_show_is_not_taken() -> None:
    assert media_type(picture("gif")) is None
    assert media_type(b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>") is None
    assert media_type(b"") is None


def test_a_picture_is_kept_once_and_shown_on_the_units_page(writable: TestClient) -> None:
    body = picture("jpeg")
    status, first = send(writable, body)
    assert status == 201
    assert first["bytes"] == len(body)
    assert send(writable, body) == (201, first)
    assert writable.get("/v1/units/u-0001/photos").json()["items"] == [first]
    shown = writable.get(f"/v1/units/u-0001/photos/{first['photo']}")
    assert shown.content == body
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert f"/photos/{first['photo']}" in writable.get("/units/u-0001").text
    assert writable.get(f"/v1/units/u-0002/photos/{first['photo']}").status_code == 404


def test_what_is_too_large_or_no_picture_or_anothers_key_is_refused_with_the_reason(writable: TestClient) -> None:
    status, told = send(writable, picture("png") + bytes(MOST_BYTES))
    assert status == 413
    assert "2 MB" in str(told["detail"])
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
