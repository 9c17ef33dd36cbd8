"""A unit that has just failed to start is judged at once, as the pass over the whole fleet judges it."""

from __future__ import annotations

import json
import threading
import time
from datetime import timedelta
from types import ModuleType
from typing import Any

import pandas as pd
import psycopg
import pytest

from analytics import grounds, prompt, subset, watch
from ingest import store
from ingest.database import connect
from ingest.frames import frame

pytestmark = pytest.mark.stack

UNITS = 61
"""No array of the fleet's own has so many rows."""


def begun(connection: psycopg.Connection, made: ModuleType) -> tuple[int, watch.Followed, pd.Timestamp]:
    """Load a fleet of the past and let a pass go over it; return account, what the watch knows, last instant."""
    tables = made.fleet(UNITS, 20, 8).tables
    starts = tables.starts.assign(at=tables.starts["at"] - pd.Timedelta(days=3650))
    account_id = store.account(connection, "made", create=True)
    store.put_units(connection, account_id, tables.units)
    store.put_starts(connection, account_id, starts)
    followed = watch.Followed()
    watch.refresh(connection, account_id, followed, -(10**6), "data")
    return account_id, followed, starts["at"].max()


def fail(connection: psycopg.Connection, account_id: int, unit: str, after: pd.Timestamp, tries: int = 3) -> None:
    """Store locked starts of a unit, a minute apart."""
    at = [after + timedelta(minutes=n) for n in range(1, tries + 1)]
    rows = {"unit": [unit] * tries, "seq": list(range(900_000, 900_000 + tries)), "at": at}
    beside = {"outcome": ["locked"] * tries, "peak_a": [80.0] * tries, "off_s": [300.0] * tries}
    store.put_starts(connection, account_id, frame("starts", rows | beside))


def standing(connection: psycopg.Connection, unit: str) -> dict[str, Any]:
    row = connection.execute(
        "select body::text, rank from standing join unit using (unit_id) where unit = %s", (unit,)
    ).fetchone()
    assert row is not None
    return json.loads(row[0]) | {"rank": row[1]}


def grounds_of(reasons: list[str]) -> dict[str, float]:
    """Return reasons and the nats of those that say how much speaks for a cause, 0 for the others."""
    parted = [code.rpartition("_") if code.startswith(grounds.PREFIX) else (code, "", "0") for code in reasons]
    return {name: float(nats) for name, _, nats in parted}


@pytest.mark.parametrize("least", [subset.LEAST, UNITS], ids=["whole", "cut out"])
def test_the_third_locked_start_puts_a_unit_down_and_its_verdict_is_that_of_the_whole_pass(
    database: str, made: ModuleType, monkeypatch: pytest.MonkeyPatch, least: int
) -> None:
    monkeypatch.setattr(subset, "LEAST", least)
    with connect(database) as connection:
        account_id, followed, last = begun(connection, made)
        assert followed.basis is not None
        other = standing(connection, "u-0008")
        fail(connection, account_id, "u-0007", last)
        unit_id = store.unit_ids(connection, account_id, ["u-0007"])["u-0007"]
        assert prompt.judge(connection, account_id, followed.basis, [unit_id], "data") == 1
        at_once = standing(connection, "u-0007")
        assert at_once["standing"] == "down"
        assert standing(connection, "u-0008") == other
        # The pass over all comes to the same; only what the whole fleet did today moves some figures a little.
        watch.refresh(connection, account_id, followed, -(10**6), "data")
        whole = standing(connection, "u-0007")
    assert at_once["as_of"] == whole["as_of"]
    for key in ("standing", "repair", "say"):
        assert at_once[key] == whole[key], key
    one, all_of = (grounds_of(verdict["reasons"]) for verdict in (at_once, whole))
    assert one.keys() == all_of.keys()
    assert one == pytest.approx(all_of, abs=0.11)
    for key in ("run_up", "locked", "causes"):
        assert at_once[key] == pytest.approx(whole[key], abs=0.005), key
    assert at_once["lockout_7d"] == pytest.approx(whole["lockout_7d"], abs=0.02)
    assert at_once["rank"] == pytest.approx(whole["rank"], rel=0.02)


def test_two_locked_starts_put_no_unit_down_and_an_unknown_unit_is_left_to_the_pass(
    database: str, made: ModuleType
) -> None:
    with connect(database) as connection:
        account_id, followed, last = begun(connection, made)
        assert followed.basis is not None
        fail(connection, account_id, "u-0009", last, tries=2)
        fail(connection, account_id, "newcomer", last)
        numbers = store.unit_ids(connection, account_id, ["u-0009", "newcomer"])
        assert prompt.judge(connection, account_id, followed.basis, numbers.values(), "data") == 1
        assert standing(connection, "u-0009")["standing"] != "down"
        row = connection.execute("select count(*) from standing where unit_id = %s", (numbers["newcomer"],)).fetchone()
        assert row == (0,)


def test_of_a_fleet_on_its_first_day_a_unit_is_judged_by_what_there_is(database: str) -> None:
    noon = pd.Timestamp("2024-01-14T12:00Z")
    with connect(database) as connection:
        account_id = store.account(connection, "new", create=True)
        rows = {"unit": ["a", "b"], "seq": [1, 1], "at": [noon, noon], "outcome": ["ran", "ran"]}
        store.put_starts(connection, account_id, frame("starts", rows))
        followed = watch.Followed()
        watch.refresh(connection, account_id, followed, -(10**6), "data")
        assert followed.basis is not None
        assert followed.basis.state is None
        fail(connection, account_id, "b", noon)
        numbers = store.unit_ids(connection, account_id, ["b"])
        assert prompt.judge(connection, account_id, followed.basis, numbers.values(), "data") == 1
        assert standing(connection, "b")["standing"] == "down"
        assert standing(connection, "a")["standing"] == "learning"


def test_what_intake_tells_of_is_judged_while_the_watch_is_at_something_else(database: str, made: ModuleType) -> None:
    stop = threading.Event()
    # Between two passes of this watch an hour goes by.
    watching = threading.Thread(target=watch.run, args=(database, stop, "data", 3600.0))
    with connect(database) as connection:
        account_id, _, last = begun(connection, made)
        watching.start()
        try:
            until = time.monotonic() + 30
            while time.monotonic() < until and connection.execute("select 1 from dirty_day").fetchone():
                time.sleep(0.05)
            fail(connection, account_id, "u-0003", last)
            numbers = store.unit_ids(connection, account_id, ["u-0003"])
            while time.monotonic() < until and standing(connection, "u-0003")["standing"] != "down":
                store.tell_failed(connection, [(account_id, each) for each in numbers.values()])
                time.sleep(0.2)
            assert standing(connection, "u-0003")["standing"] == "down"
            # The day still waits for the pass over the whole fleet.
            assert connection.execute("select 1 from dirty_day").fetchone()
        finally:
            stop.set()
            watching.join(15)
    assert not watching.is_alive()
