from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

from tests.api.test_noticewishes import kim

__all__ = ["kim"]

pytestmark = pytest.mark.stack


def test_what_was_told_is_listed_newest_first_with_what_caused_it(here: TestClient) -> None:
    listed = here.get("/v1/notices?person=Kim Example").json()
    assert [n["kind"] for n in listed["items"]] == ["change", "change", "digest"]
    gathering, change, digest = listed["items"]
    assert gathering["closed_at"] is None
    assert gathering["deliveries"] == []
    assert change["triggers"] == [
        {"unit": "u-0001", "from": "steady", "to": "down", "as_of": "2026-01-23T16:00:00Z", "at": None}
    ]
    assert change["deliveries"][0]["state"] == "sent"
    assert digest["deliveries"][0] | {"changed_at": None} == {
        "target": "jsons …heim",
        "state": "failed",
        "tries": 1,
        "error": "error=500",
        "changed_at": None,
    }
    assert listed["deliveries"]["failed"] == 1


def test_the_list_is_read_page_by_page_and_by_kind_state_and_person(here: TestClient) -> None:
    seen, cursor = [], None
    while True:
        page = here.get("/v1/notices", params={"limit": 1, **({"cursor": cursor} if cursor else {})}).json()
        seen += [n["notice"] for n in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert len(seen) == len(set(seen)) >= 3
    assert seen == sorted(seen, reverse=True)
    kinds = {n["kind"] for n in here.get("/v1/notices?kind=digest").json()["items"]}
    assert kinds == {"digest"}
    assert len(here.get("/v1/notices?state=failed").json()["items"]) == 1
    assert here.get("/v1/notices?person=Nobody Example").json()["items"] == []
    assert here.get("/v1/notices?kind=other").status_code == 422


def test_the_page_shows_the_text_the_units_and_the_failure(here: TestClient) -> None:
    page = here.get("/notices").text
    assert "(1 failed) Notices" in page
    assert "a text of u-0001" in page
    assert 'href="/units/u-0001"' in page
    assert "error=500" in page
    assert "geheim" not in page
    assert here.get("/notices.json").json()["items"] == here.get("/v1/notices").json()["items"]


def test_the_page_says_who_must_do_what_before_anything_goes_out(kim: TestClient) -> None:
    assert "Nobody can be told yet" in kim.get("/notices").text
    database = kim.app.state.settings.database  # type: ignore[attr-defined]
    with psycopg.connect(database) as conn:
        conn.execute(
            "insert into notice_target (account_id, person_id, url)"
            " select account_id, person_id, 'jsons://example.org/' from person"
        )
    assert "has not been at work yet" in kim.get("/notices").text
    with psycopg.connect(database) as conn:
        conn.execute(
            "insert into notice_account (account_id, behind, settled_at, silence_at)"
            " select account_id, 'no intake runs', now(), now() from account"
        )
    assert "no intake runs" in kim.get("/notices").text
    with psycopg.connect(database) as conn:
        conn.execute("update notice_account set behind = null, passed_at = now() - interval '6 minutes'")
    assert "has not been at work for some minutes" in kim.get("/notices").text
    with psycopg.connect(database) as conn:
        conn.execute("update notice_account set passed_at = now()")
    assert "Nothing goes out now" not in kim.get("/notices").text


def test_deliveries_are_counted_for_prometheus(here: TestClient) -> None:
    lines = here.get("/metrics").text.splitlines()
    assert 'halfsecond_notices{state="failed"} 1.0' in lines
    assert 'halfsecond_notices{state="sent"} 1.0' in lines
    assert 'halfsecond_notices{state="waiting"} 0.0' in lines
