"""How long repairs hold and who locks out, over the database of made units."""

from __future__ import annotations

from datetime import timedelta

import psycopg
import pytest
from fastapi.testclient import TestClient

from ingest.named_sql import queries
from tests.api import made
from tests.api.conftest import HERE, client

pytestmark = pytest.mark.stack


def test_the_page_and_its_twin_tell_of_the_visit_that_still_holds(here: TestClient) -> None:
    told = here.get("/v1/repairs").json()
    (kind,) = told["items"]
    assert (kind["work"], kind["visits"], kind["ended"]) == ("run_capacitor", 1, 0)
    assert kind["held_90d"]["value"] is None  # 18 days ago
    everyone = next(c for c in told["lockouts"] if c["by"] == "all")
    assert everyone["units"] == 16
    assert everyone["locked_out"] == 0
    assert told == here.get("/repairs.json").json()
    page = here.get("/repairs").text
    assert "run capacitor replaced" in page
    assert "not watched that long" in page


def test_a_repair_ends_with_a_lockout_or_the_same_work_and_is_watched_until_other_work(
    writable: TestClient, small: str
) -> None:
    def ago(days: float) -> object:
        return made.NOW - timedelta(days=days)

    with psycopg.connect(small) as conn:
        conn.execute("delete from visit")
        units = conn.execute("select unit_id, account_id from unit order by unit_id").fetchall()
        (one, account_id), (two, _), (three, _) = units
        conn.execute("update heard set last_at = %s", (made.NOW,))
        conn.execute("update verdict set as_of = as_of - interval '300 days'")
        for unit_id, days, work in [
            (one, 100, "run_capacitor"),  # a lockout 60 days later
            (two, 200, "run_capacitor"),  # the same again 150 days later, which holds to this day
            (two, 50, "run_capacitor"),
            (three, 90, "run_capacitor"),  # watched for 30 days, then a compressor, which holds
            (three, 60, "compressor"),
            (three, 10, "sensor"),  # no repair
        ]:
            conn.execute(
                "insert into visit (account_id, unit_id, at, work) values (%s, %s, %s, %s)",
                (account_id, unit_id, ago(days), [work]),
            )
        for unit_id, days in ((one, 40), (three, 70)):
            conn.execute(
                "insert into event (account_id, unit_id, at, seq, event) values (%s, %s, %s, 1, %s)",
                (account_id, unit_id, ago(days), "lockout" if unit_id == one else "reset"),
            )
        conn.commit()
        held = conn.execute(
            queries("api", "sql/repairs.sql")["held"],
            {
                "account_id": account_id,
                "since": ago(730),
                "until": made.NOW,
                "kinds": ["run_capacitor", "compressor"],
                "restarts": ["run_capacitor", "compressor", "sensor"],
                "limit": 100,
            },
        ).fetchall()
    assert sorted((work, ended, round(days, 3)) for work, ended, days in held) == [
        ("compressor", False, 50.0),  # until the sensor was replaced
        ("run_capacitor", False, 30.0),
        ("run_capacitor", False, 50.0),
        ("run_capacitor", True, 60.0),
        ("run_capacitor", True, 150.0),
    ]
    told = writable.get("/v1/repairs").json()
    assert {k["work"]: (k["visits"], k["ended"]) for k in told["items"]} == {
        "run_capacitor": (4, 2),
        "compressor": (1, 0),
    }
    everyone = next(c for c in told["lockouts"] if c["by"] == "all")
    assert (everyone["units"], everyone["locked_out"]) == (3, 1)
    assert 2 * 301 + 261 - 5 < everyone["unit_years"] * 365.25 < 2 * 302 + 262


def test_an_account_without_units_has_empty_tables(database: str) -> None:
    made.partitions(database)
    with psycopg.connect(database) as conn:
        made.account(conn, HERE)
    with client(database) as opened:
        told = opened.get("/v1/repairs").json()
        assert told["items"] == []
        assert "No repair has been logged yet" in opened.get("/repairs").text
