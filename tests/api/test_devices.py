from __future__ import annotations

import re
from typing import Any

import psycopg
import pytest
from fastapi.testclient import TestClient

from tests.api import made

pytestmark = pytest.mark.stack
DEVICE = "d-1-u-0001"


def execute(client: TestClient, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    conninfo = client.app.state.settings.database  # type: ignore[attr-defined]
    with psycopg.connect(conninfo) as conn:
        cursor = conn.execute(statement, values)  # type: ignore[arg-type]
        return cursor.fetchall() if cursor.description else []


def names(client: TestClient, address: str) -> list[str]:
    return [d["device"] for d in client.get(address).json()["items"]]


def test_devices_are_listed_by_name_page_by_page_with_what_was_last_heard(here: TestClient) -> None:
    first = here.get("/v1/devices?limit=10").json()
    assert len(first["items"]) == 10
    second = here.get("/v1/devices", params={"limit": 10, "cursor": first["next"]}).json()
    listed = [d["device"] for d in first["items"] + second["items"]]
    assert listed == sorted(listed)
    assert len(set(listed)) == first["counts"]["devices"] == 16
    assert second["next"] is None
    one = first["items"][0]
    assert (one["unit"], one["firmware"], one["online"], one["sent"]) == ("u-0001", "1.0", True, 10)
    assert (one["silent"], one["missing"], one["clock_off_s"]) == (False, 0, None)
    assert one["last_at"] == made.NOW.strftime("%Y-%m-%dT%H:%M:%SZ")


def test_what_is_the_matter_is_told_counted_and_filtered_by(writable: TestClient) -> None:
    execute(writable, "update heard set last_at = last_at - interval '3 days' where unit_id = 1")
    execute(writable, "update device_status set online = false, firmware = '2.0' where device = 'd-1-u-0002'")
    execute(writable, "insert into device_clock (device, account_id, offset_s) values ('d-1-u-0002', 1, 130)")
    execute(
        writable,
        "insert into device_seq (device, kind, account_id, received)"
        " values ('d-1-u-0003', 'starts', 1, '{[1,5),[9,21)}')",
    )
    told = writable.get("/v1/devices").json()
    assert told["counts"] == {"devices": 3, "silent": 1, "offline": 1, "clock": 1, "missing": 1}
    assert [(d["silent"], d["clock_off_s"], d["missing"], d["newest"]) for d in told["items"]] == [
        (True, None, 0, None),
        (False, 130, 0, None),
        (False, None, 4, 20),
    ]
    for matter, device in (("silent", 1), ("offline", 2), ("clock", 2), ("missing", 3)):
        assert names(writable, f"/v1/devices?matter={matter}") == [f"d-1-u-000{device}"]
    assert names(writable, "/v1/devices?matter=offline&matter=clock&firmware=2.0") == ["d-1-u-0002"]
    assert names(writable, "/v1/devices?matter=silent&matter=clock") == []
    assert names(writable, "/v1/devices?q=u-0003") == ["d-1-u-0003"]
    text = writable.get("/devices").text
    for words in (
        "<strong>silent</strong>, 3 days ago",
        "130 s behind",
        "4 missing",
        "of 20",
        "<strong>off line</strong>",
    ):
        assert words in text
    found = writable.get("/devices?matter=silent").text
    assert "d-1-u-0001" in found
    assert "d-1-u-0002" not in found


def test_a_device_is_added_renewed_and_removed_and_its_password_is_told_once(writable: TestClient) -> None:
    added = writable.post("/v1/devices", json={"device": "d-9", "unit": "u-0002"})
    assert added.status_code == 201
    assert added.headers["cache-control"] == "no-store"
    password = added.json()["password"]
    (kept,) = execute(writable, "select password_hash from device where device = 'd-9'")[0]
    assert kept.startswith("$7$")
    assert password not in writable.get("/v1/devices").text
    again = writable.post("/v1/devices", json={"device": "d-9", "unit": "u-0003"})
    assert again.status_code == 409
    assert "reports for u-0002 already" in again.json()["detail"]
    renewed = writable.post("/v1/devices", json={"device": "d-9", "unit": "u-0003", "renew": True}).json()
    assert renewed["unit"] == "u-0003"
    assert renewed["password"] != password
    assert writable.delete("/v1/devices/d-9").status_code == 204
    assert writable.delete("/v1/devices/d-9").status_code == 204
    assert execute(writable, "select password_hash from device where device = 'd-9'") == [(None,)]
    assert "d-9" not in names(writable, "/v1/devices")
    assert writable.delete("/v1/devices/d-10").status_code == 404


def test_what_cannot_be_added_is_refused_with_its_field(writable: TestClient) -> None:
    for device, unit, told in (
        ("halfsecond-intake", "u-0001", "body.device: 'halfsecond-intake' cannot be a broker user"),
        ("a/b", "u-0001", "body.device: 'a/b' cannot be a broker user"),
        ("d-9", "u-9", "body.unit: there is no unit 'u-9'"),
    ):
        answer = writable.post("/v1/devices", json={"device": device, "unit": unit})
        assert answer.status_code == 409
        assert answer.json()["detail"].startswith(told)


def test_the_page_adds_and_shows_the_password_and_removes_only_who_says_sure(writable: TestClient) -> None:
    page = writable.post("/devices", data={"do": "add", "device": "d-9", "unit": "u-0001"})
    secret = re.search(r'<code class="secret">([\w-]{43})</code>', page.text)
    assert secret
    assert page.headers["cache-control"] == "no-store"
    assert secret.group(1) not in writable.get("/devices").text
    unsure = writable.post("/devices", data={"do": "remove", "device": "d-9"})
    assert unsure.status_code == 422
    assert "d-9" in names(writable, "/devices.json")
    done = writable.post("/devices", data={"do": "remove", "device": "d-9", "sure": "yes"}, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/devices")
    assert "d-9" not in names(writable, "/devices.json")
