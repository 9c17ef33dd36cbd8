"""Parts that visits fitted, and what each visit changed."""

from __future__ import annotations

from datetime import datetime, timedelta

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

from tests.api import made

pytestmark = pytest.mark.stack
FIRST, SECOND = made.NOW - timedelta(days=60, seconds=-0.25), made.NOW - timedelta(days=25)


def visit(conn: psycopg.Connection, at: datetime, work: str, parts: str, person: str | None) -> None:
    conn.execute(
        "insert into visit (account_id, unit_id, at, work, parts, person_id)"
        " select account_id, unit_id, %s, %s, %s, (select person_id from person where name = %s)"
        " from unit where unit = 'u-0002'",
        (at, [work], [parts], person),
    )


def said(conn: psycopg.Connection, as_of: datetime, repair: dict[str, object] | None, table: str = "verdict") -> None:
    body = Jsonb({**made.SCENES[6], "unit": "u-0002", "repair": repair})
    if table == "standing":
        conn.execute("update standing set body = %s where unit_id = 2", (body,))
        return
    conn.execute(
        "insert into verdict (unit_id, account_id, as_of, standing, rank, body) values (2, 1, %s, 'steady', 1, %s)",
        (as_of, body),
    )


def changed(at: datetime, run_up: float | None, verdict: str) -> dict[str, object]:
    ends = {"low": run_up - 0.05, "high": run_up + 0.06} if run_up is not None else {"low": None, "high": None}
    locked = dict.fromkeys(("locked_ratio", "locked_low", "locked_high"))
    return {
        "visit": at.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "run_up_change": run_up,
        **ends,
        **locked,
        "verdict": verdict,
    }


@pytest.fixture
def visited(writable: TestClient) -> TestClient:
    """The client of a unit with two visits; each was judged early and late."""
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("insert into person (account_id, name, role) values (1, 'Kim Example', 'technician')")
        visit(conn, FIRST, "start_kit_fitted", "start kit (maker's list)", "Kim Example")
        visit(conn, SECOND, "run_capacitor", "run capacitor 40 µF", None)
        conn.execute("delete from verdict where unit_id = 2")
        for at, days, run_up, verdict in (
            (FIRST, 5, None, "too_early"),
            (FIRST, 30, 0.01, "no_change"),
            (SECOND, 5, None, "too_early"),
            (SECOND, 20, -0.3, "helped"),
        ):
            said(conn, at + timedelta(days=days), changed(at, run_up, verdict))
        said(conn, made.NOW, changed(SECOND, -0.31, "helped"), "standing")
    return writable


def test_each_visit_has_what_it_changed_by_the_last_that_was_said_of_it(visited: TestClient) -> None:
    items = visited.get("/v1/units/u-0002/visits").json()["items"]
    told = [(i["work"], i["repair"]["verdict"], i["repair"]["run_up_change"]) for i in items]
    assert told == [(["run_capacitor"], "helped", -0.31), (["start_kit_fitted"], "no_change", 0.01)]
    text = visited.get("/units/u-0002").text
    assert (
        "starts now take 31 % less than before this visit (90 % interval \N{MINUS SIGN}36 to \N{MINUS SIGN}25 %)"
        in text
    )
    assert "starts then took 1 % more than before this visit (90 % interval \N{MINUS SIGN}4 to 7 %)" in text
    assert text.index("It helped.") < text.index("No change.")


def test_a_visit_of_which_nothing_was_said_has_no_change(writable: TestClient) -> None:
    (item,) = writable.get("/v1/units/u-0001/visits").json()["items"]
    assert item["repair"] is None


def test_the_newest_of_each_part_stands_with_its_day_and_who_fitted_it(visited: TestClient) -> None:
    with psycopg.connect(visited.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        visit(conn, SECOND + timedelta(days=3), "start_kit_replaced", "another kit", None)
        visit(conn, SECOND + timedelta(days=4), "other", "fuse", None)
    fitted = visited.get("/v1/units/u-0002").json()["fitted"]
    assert [(f["part"], f["by"], f["entered"]) for f in fitted] == [
        ("start kit", None, ["another kit"]),
        ("run capacitor", None, ["run capacitor 40 µF"]),
    ]
    with psycopg.connect(visited.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("delete from visit where 'start_kit_replaced' = any(work)")
    text = visited.get("/units/u-0002").text
    assert "Start kit, 25 Nov 2025, by Kim Example" in text
    assert "Run capacitor, 30 Dec 2025" in text
