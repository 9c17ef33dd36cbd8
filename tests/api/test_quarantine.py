from __future__ import annotations

import re
from typing import Any

import psycopg
import pytest
from fastapi.testclient import TestClient

from tests.api import made
from tests.api.conftest import HERE, TOKENS

pytestmark = pytest.mark.stack
TOPIC = "halfsecond/1/d-new/starts"
GOOD = b'{"seq": 7, "at": "2026-01-24T11:00:00Z", "outcome": "ran", "run_up_s": 0.2}'


def execute(client: TestClient, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    conninfo = client.app.state.settings.database  # type: ignore[attr-defined]
    with psycopg.connect(conninfo) as conn:
        cursor = conn.execute(statement, values)  # type: ignore[arg-type]
        return cursor.fetchall() if cursor.description else []


def hold(client: TestClient, payload: bytes = GOOD, reason: str = "unknown_device", device: str = "d-new") -> int:
    """Put something into quarantine as intake does; return its number."""
    topic = TOPIC.replace("d-new", device)
    ((item,),) = execute(
        client,
        "insert into quarantine (device, topic, payload, reason, detail, received_at)"
        " values (%s, %s, %s, %s, 'as intake told it', %s) returning quarantine_id",
        (device, topic, payload, reason, made.NOW),
    )
    return int(item)


def test_what_is_in_quarantine_is_listed_by_reason_and_page_by_page(writable: TestClient) -> None:
    items = [hold(writable, b"%d" % n) for n in range(3)]
    told = writable.get("/v1/quarantine?limit=2").json()
    assert told["counts"] == {"unknown_device": 3, "bad_json": 1}
    following = writable.get("/v1/quarantine", params={"limit": 2, "cursor": told["next"]}).json()
    assert {i["item"] for i in told["items"] + following["items"]} >= set(items)
    assert following["next"] is None
    assert [i["item"] for i in writable.get("/v1/quarantine?reason=unknown_device").json()["items"]] == items
    assert writable.get("/v1/quarantine?device=d-none").json()["items"] == []
    assert writable.get("/v1/quarantine?reason=any").status_code == 422


def test_a_payload_is_shown_as_text_that_steers_nothing(writable: TestClient) -> None:
    item = hold(writable, b"\xff<b>\x1b[2J\x00")
    told = writable.get(f"/v1/quarantine/{item}").json()
    assert told["payload_base64"] == "/zxiPhtbMkoA"
    page = writable.get(f"/quarantine/{item}").text
    assert "\\xff&lt;b&gt;\\x1b[2J\\x00" in page
    assert "\x1b" not in page
    assert writable.get("/v1/quarantine/999999").status_code == 404


def test_once_the_device_is_added_its_records_are_put_through_from_the_page(writable: TestClient) -> None:
    hold(writable)
    hold(writable, b"no json")
    page = writable.get("/quarantine?reason=unknown_device").text
    assert "Add the device, with the unit that it reports for" in page
    before = writable.post("/v1/quarantine/again", json={"reason": "unknown_device"}).json()
    assert before == {"stored": 0, "kept": 2, "left": 0}
    assert writable.post("/v1/devices", json={"device": "d-new", "unit": "u-0002"}).status_code == 201
    after = writable.post("/quarantine", data={"reason": "unknown_device"})
    assert re.search(r"<strong>1 stored</strong>, 1 still cannot be", after.text)
    assert execute(
        writable, "select unit_id, outcome from start where seq = 7 and at = %s", ("2026-01-24T11:00:00Z",)
    ) == [(2, "ran")]
    # What could not be stored stays, with the reason that it has now.
    assert writable.get("/v1/quarantine").json()["counts"] == {"bad_json": 2}


def test_one_item_is_put_through_alone_and_a_released_one_not_again(writable: TestClient) -> None:
    item, other = hold(writable), hold(writable, GOOD.replace(b"7", b"8", 1))
    writable.post("/v1/devices", json={"device": "d-new", "unit": "u-0002"})
    answer = writable.post("/quarantine", data={"item": item}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/quarantine?stored=1&kept=0&left=0")
    assert "Stored after all" in writable.get(f"/quarantine/{item}").text
    assert writable.post("/v1/quarantine/again", json={"items": [item]}).status_code == 404
    assert writable.post("/v1/quarantine/again", json={"items": [other]}).json()["stored"] == 1


def test_more_than_one_request_takes_is_told_and_what_was_tried_least_comes_first(
    writable: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.quarantine.MOST_AT_ONCE", 2)
    for n in range(3):
        hold(writable, b"%d" % n)
    ask = {"reason": "unknown_device"}
    assert writable.post("/v1/quarantine/again", json=ask).json() == {"stored": 0, "kept": 2, "left": 1}
    tries = "select tries from quarantine where reason = 'unknown_device' order by quarantine_id"
    assert execute(writable, tries) == [(1,), (1,), (0,)]
    writable.post("/v1/quarantine/again", json=ask)
    assert execute(writable, tries) == [(2,), (1,), (1,)]


def test_what_to_put_through_has_to_be_chosen(writable: TestClient) -> None:
    assert writable.post("/v1/quarantine/again", json={}).status_code == 422
    assert writable.post("/v1/quarantine/again", json={"items": [1], "reason": "bad_json"}).status_code == 422
    assert writable.post("/quarantine", data={}).status_code == 422


def test_what_is_nobodys_is_shown_to_whoever_runs_the_server_alone(guarded: TestClient) -> None:
    header = {"Authorization": f"Bearer {TOKENS[HERE]}"}
    assert set(guarded.get("/v1/quarantine", headers=header).json()["counts"]) == {"bad_json"}
    answer = guarded.post("/v1/quarantine/again", json={"reason": "unknown_device"}, headers=header)
    assert answer.json() == {"stored": 0, "kept": 0, "left": 0}


def test_what_never_can_be_stored_is_explained_and_offers_no_button_that_would_not_help(writable: TestClient) -> None:
    item = hold(writable, reason="key_taken")
    for path in ("/quarantine?reason=key_taken", f"/quarantine/{item}"):
        page = writable.get(path).text
        assert "What came first stands, and this is not used" in page
        assert "<button" not in page
    told = writable.post("/v1/quarantine/again", json={"items": [item]}).json()
    assert told == {"stored": 0, "kept": 1, "left": 0}
