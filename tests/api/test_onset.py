from __future__ import annotations

import math
import random
from datetime import timedelta

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

from tests.api import made

pytestmark = pytest.mark.stack

STANDING = "update standing set body = %s where unit_id = (select unit_id from unit where unit = %s)"


def tell(conn: psycopg.Connection, unit: str, began: int | None) -> None:
    """Write a verdict a day over 60 days, whose run-up time is longer by an eighth from some days ago on."""
    noise = random.Random(5)
    conn.execute("delete from verdict where unit_id = (select unit_id from unit where unit = %s)", (unit,))
    value = 0.0
    for back in range(60, -1, -1):
        today = noise.gauss(0, 0.02) + (math.log(1.125) if began is not None and back < began else 0.0)
        value = 0.794 * value + 0.206 * today
        alarm = began is not None and back < began - 3
        since = (made.NOW - timedelta(days=began or 0)).date().isoformat() if alarm else None
        run_up = {"now_s": 0.2 * math.exp(value), "expected_s": 0.2, "alarm": alarm, "since": since, "starts": 900}
        body = made.SCENES[6] | {"unit": unit, "run_up": made.SCENES[6]["run_up"] | run_up}  # type: ignore[operator]
        conn.execute(
            """insert into verdict (unit_id, account_id, as_of, standing, rank, body)
               select unit_id, account_id, %s, 'steady', 0, %s from unit where unit = %s""",
            (made.NOW - timedelta(days=back), Jsonb(body), unit),
        )
    conn.execute(STANDING, (Jsonb(body), unit))


def test_the_onset_of_a_drift_has_an_interval_on_the_page_and_a_unit_without_an_alarm_has_none(
    writable: TestClient, small: str
) -> None:
    with psycopg.connect(small) as conn:
        conn.execute("delete from visit")
        tell(conn, "u-0001", 12)
        tell(conn, "u-0002", None)
    told = writable.get("/v1/units/u-0001").json()["onset"]
    began = (made.NOW - timedelta(days=12)).date().isoformat()
    assert told["low"] <= began <= told["high"]
    assert told["low"] >= (made.NOW - timedelta(days=30)).date().isoformat()
    assert "it began between" in writable.get("/units/u-0001").text
    assert writable.get("/v1/units/u-0002").json()["onset"] is None
    assert "it began between" not in writable.get("/units/u-0002").text


def test_days_before_the_last_visit_say_nothing_of_an_onset(writable: TestClient, small: str) -> None:
    with psycopg.connect(small) as conn:
        conn.execute("delete from visit")
        tell(conn, "u-0001", 12)
        conn.execute(
            """insert into visit (account_id, unit_id, at, work)
               select account_id, unit_id, %s, '{other}' from unit where unit = 'u-0001'""",
            (made.NOW - timedelta(days=13),),
        )
    assert writable.get("/v1/units/u-0001").json()["onset"] is None
