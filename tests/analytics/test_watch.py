from __future__ import annotations

import json
import math
import threading
import time
from datetime import timedelta
from types import ModuleType
from typing import Any

import pandas as pd
import psycopg
import pytest

from analytics import checkpoint, exchange, replay, watch
from analytics.options import DAY_US
from analytics.tables import Tables
from analytics.verdict import encode
from ingest import store
from ingest.database import connect

pytestmark = pytest.mark.stack


def _past(frame: pd.DataFrame) -> pd.DataFrame:
    """Move made starts to a past that a store accepts."""
    return frame.assign(at=frame["at"] - pd.Timedelta(days=3650))


def _kept(connection: psycopg.Connection, account_id: int) -> dict[tuple[str, str], dict]:
    rows = connection.execute("select body from verdict where account_id = %s", (account_id,)).fetchall()
    return {(body["unit"], body["as_of"]): body for (body,) in rows}


def _replayed(tables: Tables) -> dict[tuple[str, str], dict]:
    out = {}
    for verdict in replay.replay(tables):
        out[verdict.unit, verdict.as_of] = json.loads(encode(verdict))
    return out


def _load(connection: psycopg.Connection, account_id: int, frame: pd.DataFrame) -> None:
    store.put_starts(connection, account_id, frame)


def test_the_service_says_what_replay_says_on_the_same_starts_shuffled_doubled_and_late(
    database: str, made: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = made.fleet(6, 40, 5)
    monkeypatch.setattr(watch, "STARTS", 4 * watch.A_DAY * 6)
    monkeypatch.setattr(checkpoint, "LARGE", 1)
    spans: list[float] = []
    read = exchange.read

    def noted(*given: Any, **named: Any) -> Tables:
        tables = read(*given, **named)
        spans.append((tables.starts["at"].max() - tables.starts["at"].min()) / pd.Timedelta(days=1))
        return tables

    monkeypatch.setattr(exchange, "read", noted)
    starts = _past(fleet.tables.starts)
    units = fleet.tables.units
    first = starts["at"].min()
    visits = pd.DataFrame(
        {
            "unit": ["u-0001", "u-0002"],
            "at": [first + pd.Timedelta(days=25, hours=3), first - pd.Timedelta(days=2)],
            "work": [["supply_wiring"], ["start_kit_fitted"]],
            "readings": [{}, {}],
            "parts": [[], []],
            "note": [None, None],
        }
    )
    events = pd.DataFrame(
        {
            "unit": ["u-0003", "u-0004"],
            "seq": [1, 1],
            "at": [first + pd.Timedelta(days=20, hours=1), first - pd.Timedelta(hours=30)],
            "event": ["lockout", "lockout"],
            "detail": [None, None],
        }
    )
    # Pressures that even out with a time constant of a minute, and after twelve days of two.
    t_s = [0.0, 20.0, 40.0, 60.0, 90.0, 120.0]
    rests = pd.DataFrame(
        [
            {
                "unit": "u-0005",
                "seq": k,
                "at": first + pd.Timedelta(hours=8 * k),
                "t_s": t_s,
                "suction_kpa": [600.0] * 6,
                "liquid_kpa": [600.0 + 1500.0 * math.exp(-t / (60.0 if k < 36 else 120.0)) for t in t_s],
                "outdoor_c": 2.0,
            }
            for k in range(100)
        ]
    )
    with connect(database) as connection:
        account_id = store.account(connection, "made", create=True)
        store.put_units(connection, account_id, units)
        followed = watch.Followed()
        # First half in disorder and with doubles; a day in the middle held back and sent last.
        day = (starts["at"] - starts["at"].min()).dt.days
        late = day == 17
        early = starts[(day < 30) & ~late].sample(frac=1.0, random_state=1)
        _load(connection, account_id, early)
        _load(connection, account_id, early.sample(frac=0.3, random_state=2))
        store.put_visits(connection, account_id, visits)
        store.put_events(connection, account_id, events)
        store.put_rests(connection, account_id, rests)
        _pass(connection, account_id, followed)
        _load(connection, account_id, starts[day >= 30])
        _pass(connection, account_id, followed)
        _load(connection, account_id, starts[late])
        _pass(connection, account_id, followed)
        kept = _kept(connection, account_id)
        standing = connection.execute("select count(*) from standing where account_id = %s", (account_id,)).fetchone()
    expected = _replayed(Tables(starts=starts, units=units, visits=visits, events=events, rests=rests))
    common = kept.keys() & expected.keys()
    # Every midnight but the last, which the data's clock has not reached.
    assert len(common) == len(expected) - 6
    assert standing == (6,)
    assert {key: kept[key] for key in common} == {key: expected[key] for key in common}
    assert any(body["repair"] is not None for body in kept.values())
    # Forty days were never held at once.
    assert len(spans) > 10
    assert max(spans) <= 4


@pytest.mark.parametrize("instant", [40 * DAY_US, 40 * DAY_US + 1, 43 * DAY_US, 43 * DAY_US - 1])
@pytest.mark.parametrize("units", [1, 1_000, 10**6])
def test_the_spans_of_a_history_speak_for_each_midnight_once_and_then_for_the_instant(instant: int, units: int) -> None:
    spans = list(watch._spans(10, instant, units))
    spoken = [moment for _, moments in spans for moment in moments]
    assert spoken == sorted({*range(11 * DAY_US, instant, DAY_US), instant})
    assert all(day * DAY_US < moments[0] for day, moments in spans)
    # Each goes on with the day that the one before has not taken in.
    assert [day * DAY_US for day, _ in spans[1:]] == [moments[-1] for _, moments in spans[:-1]]


def _pass(connection: psycopg.Connection, account_id: int, followed: watch.Followed) -> None:
    taken = store.take_dirty(connection, 10_000)
    first = min((day - pd.Timestamp("1970-01-01").date()).days for _, _, day in taken)
    watch.refresh(connection, account_id, followed, first, "data")
    store.done_dirty(connection, taken)


def test_one_verdict_a_unit_a_day_is_kept(database: str, made: ModuleType) -> None:
    starts = _past(made.fleet(2, 12, 6).tables.starts)
    with connect(database) as connection:
        account_id = store.account(connection, "made", create=True)
        followed = watch.Followed()
        noon = starts["at"].min().normalize() + timedelta(days=10, hours=12)
        for hours in (0, 2, 4):
            _load(connection, account_id, starts[starts["at"] <= noon + timedelta(hours=hours)])
            _pass(connection, account_id, followed)
        rows = connection.execute(
            "select unit_id, (as_of - interval '1 microsecond')::date, count(*) from verdict group by 1, 2"
        ).fetchall()
    assert rows
    assert all(count == 1 for *_, count in rows)


def test_the_service_writes_standings_when_told_and_stops_when_asked(database: str, made: ModuleType) -> None:
    starts = _past(made.fleet(2, 9, 7).tables.starts)
    stop, codes = threading.Event(), []
    thread = threading.Thread(target=lambda: codes.append(watch.run(database, stop, "data", 0.1)))
    thread.start()
    try:
        with connect(database) as connection:
            account_id = store.account(connection, "made", create=True)
            _load(connection, account_id, starts)
            until = time.monotonic() + 30
            while time.monotonic() < until:
                row = connection.execute("select count(*) from standing").fetchone()
                left = connection.execute("select count(*) from dirty_day").fetchone()
                if row == (2,) and left == (0,):
                    break
                time.sleep(0.1)
            assert (row, left) == ((2,), (0,))
    finally:
        stop.set()
        thread.join(timeout=10)
    assert codes == [0]


def test_while_the_database_is_away_the_service_waits_and_says_so(capfd: pytest.CaptureFixture[str]) -> None:
    stop = threading.Event()
    thread = threading.Thread(
        target=watch.run, args=("host=127.0.0.1 port=1 dbname=x connect_timeout=1", stop, "data", 0.1)
    )
    thread.start()
    time.sleep(0.8)
    stop.set()
    thread.join(timeout=5)
    assert not thread.is_alive()
    assert "the database is away" in capfd.readouterr().err
