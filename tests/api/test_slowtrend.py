from __future__ import annotations

import math
import random
from datetime import timedelta

import psycopg
import pytest
from fastapi.testclient import TestClient

from tests.api import made

pytestmark = pytest.mark.stack


def tell(conn: psycopg.Connection, unit: str, weeks: int, per_week: float) -> None:
    """Write a verdict a day over some weeks whose run-up time grows by a fraction a week, with a little noise."""
    noise = random.Random(7)
    for back in range(7 * weeks):
        now_s = 0.2 * (1 + per_week) ** (weeks - back / 7) * math.exp(noise.gauss(0, 0.01))
        conn.execute(
            """insert into verdict (unit_id, account_id, as_of, standing, rank, body)
               select unit_id, account_id, %s, 'steady', 0, jsonb_build_object('run_up', jsonb_build_object(
                 'now_s', %s::float8, 'expected_s', 0.2)) from unit where unit = %s
               on conflict (unit_id, as_of) do update set body = excluded.body""",
            (made.NOW - timedelta(days=back), now_s, unit),
        )


def test_a_slow_growth_is_told_with_its_interval_and_a_level_series_has_none(writable: TestClient, small: str) -> None:
    with psycopg.connect(small) as conn:
        conn.execute("delete from visit")
        tell(conn, "u-0001", 16, 0.006)
        tell(conn, "u-0002", 16, 0.0)
        tell(conn, "u-0003", 6, 0.02)
    grown = writable.get("/v1/units/u-0001").json()["trend"]
    assert grown["weeks"] == 16
    # By construction 0.6 % a week is 2.6 % a month of 30.4 days.
    assert grown["low"] <= 1.006 ** (365.25 / 84) - 1 <= grown["high"]
    assert grown["p"] < 0.001
    assert "slowly longer" in grown["say"]
    assert "slowly longer" in writable.get("/units/u-0001").text
    level = writable.get("/v1/units/u-0002").json()["trend"]
    assert level["low"] <= 0 <= level["high"]
    assert level["say"].startswith("No slow trend")
    assert writable.get("/v1/units/u-0003").json()["trend"] is None  # six weeks are too few


def test_weeks_before_the_last_repair_do_not_count(writable: TestClient, small: str) -> None:
    with psycopg.connect(small) as conn:
        tell(conn, "u-0001", 16, 0.006)
        conn.execute(
            """insert into visit (account_id, unit_id, at, work)
               select account_id, unit_id, %s, '{start_kit_fitted}' from unit where unit = 'u-0001'""",
            (made.NOW - timedelta(days=63),),
        )
        conn.execute("delete from visit where work = '{run_capacitor}'")
    assert writable.get("/v1/units/u-0001").json()["trend"]["weeks"] == 9
