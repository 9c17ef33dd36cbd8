from __future__ import annotations

from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from fastapi.testclient import TestClient

from api.notices.trust import VERDICTS_LATE
from api.waiting import behind
from tests.api import made

stack = pytest.mark.stack
NOW = datetime(2026, 1, 24, 12, tzinfo=UTC)


def _write(client: TestClient, *statements: str) -> None:
    with psycopg.connect(client.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        for statement in statements:
            conn.execute(statement)


STANDS_IN_OCTOBER = (
    "update standing set as_of = '2025-10-09 06:00:00.7Z',"
    """ body = jsonb_set(body, '{as_of}', '"2025-10-09T06:00:00Z"') where unit_id = 2"""
)
OCTOBER_IN_DENVER = 'As of <time datetime="2025-10-09T06:00:00+00:00">9 Oct 2025, 00:00 MDT</time>'
THREE_DAYS = (
    "insert into dirty_day (unit_id, day, account_id, taken_at)"
    " values (1, '2026-01-22', 1, null), (2, '2025-10-10', 1, null), (2, '2025-10-11', 1, now())"
)


def test_a_page_tells_of_waiting_days_only_while_its_verdicts_are_hours_behind() -> None:
    assert behind(1, None, NOW)
    assert behind(1, NOW - VERDICTS_LATE - timedelta(seconds=1), NOW)
    assert not behind(1, NOW - VERDICTS_LATE, NOW)
    assert not behind(0, NOW - timedelta(days=40), NOW)


@stack
def test_the_lists_date_is_that_of_its_oldest_verdict_and_not_that_of_the_newest_start(writable: TestClient) -> None:
    _write(writable, STANDS_IN_OCTOBER)
    answer = writable.get("/v1/calls").json()
    assert answer["now"] == made.NOW.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert answer["as_of"] == "2025-10-09T06:00:00Z"
    for address in ("/", "/?group=site&standing=down&standing=service&standing=start_assist"):
        assert OCTOBER_IN_DENVER in writable.get(address).text
    # A page of the list speaks of what it shows.
    assert writable.get("/v1/calls?q=u-0001").json()["as_of"] == answer["now"]
    nothing = writable.get("/v1/calls?q=nothing+like+it").json()
    assert nothing["as_of"] is None


@stack
def test_while_days_wait_to_be_judged_the_list_says_how_many_and_the_twin_too(writable: TestClient) -> None:
    assert writable.get("/v1/calls").json()["days_waiting"] == 0
    assert "to be judged" not in writable.get("/").text
    _write(writable, STANDS_IN_OCTOBER, THREE_DAYS)
    answer = writable.get("/v1/calls").json()
    assert (answer["days_waiting"], answer["units_waiting"], answer["verdicts_late"]) == (3, 2, True)
    said = "3 days of data, from 2 units, still wait to be judged: standings follow."
    assert said in writable.get("/").text
    assert said in writable.get("/?group=site").text
    # Starts of a moment ago are no news: the list is as new as it is at any time of the day.
    _write(writable, """update standing set body = jsonb_set(body, '{as_of}', '"2026-01-24T12:00:00Z"')""")
    answer = writable.get("/v1/calls").json()
    assert (answer["days_waiting"], answer["verdicts_late"]) == (3, False)
    assert "to be judged" not in writable.get("/").text


@stack
def test_before_the_first_verdict_the_list_says_what_it_waits_for(writable: TestClient) -> None:
    _write(writable, "delete from standing", THREE_DAYS)
    text = writable.get("/").text
    assert "No unit has been judged yet." in text
    assert "3 days of data, from 2 units, still wait to be judged" in text
    assert "As of" not in text


@stack
def test_a_units_page_says_of_when_its_verdict_is_and_how_many_of_its_days_wait(writable: TestClient) -> None:
    _write(writable, STANDS_IN_OCTOBER, THREE_DAYS)
    unit = writable.get("/v1/units/u-0002").json()
    assert (unit["verdict"]["as_of"], unit["days_waiting"], unit["verdict_late"]) == ("2025-10-09T06:00:00Z", 2, True)
    text = writable.get("/units/u-0002").text
    assert OCTOBER_IN_DENVER.replace("+00:00", "Z") in text
    assert "2 days of its data still wait to be judged: its standing follows." in text
    text = writable.get("/units/u-0001").text
    assert "to be judged" not in text
    _write(writable, "delete from standing")
    assert "1 day of its data still waits to be judged" in writable.get("/units/u-0001").text
