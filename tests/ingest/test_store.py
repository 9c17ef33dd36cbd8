"""What is stored comes back the same, once, and to its own account only."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import msgspec
import numpy as np
import pandas as pd
import psycopg
import pytest
from pandas.testing import assert_frame_equal

from ingest import store
from ingest.database import connect, forget_days
from ingest.errors import BadInputError
from ingest.frames import empty, frame
from ingest.wire import START_FIELDS

pytestmark = pytest.mark.stack
NOON = datetime(2024, 1, 14, 12, tzinfo=UTC)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


@pytest.fixture
def account_id(connection: psycopg.Connection) -> int:
    return store.account(connection, "Larkfell Heating (example)", create=True)


def starts(count: int, unit: str = "u-0001", first: datetime = NOON, **columns: Any) -> pd.DataFrame:
    """Starts of one unit, an hour apart, with every third figure missing."""
    drawn = np.random.default_rng(1)
    arrays: dict[str, Any] = {
        "unit": [unit] * count,
        "seq": list(range(count)),
        "at": [first + timedelta(hours=n, microseconds=n) for n in range(count)],
        "outcome": ["locked" if n % 7 == 0 else "ran" for n in range(count)],
        "mode": [None if n % 5 == 0 else "heating" for n in range(count)],
        "stage": [np.nan if n % 3 == 0 else 1.0 for n in range(count)],
    }
    for name in START_FIELDS:
        if name not in {*arrays, "retry"}:
            values = drawn.uniform(1, 90, count).round(2)
            values[::3] = np.nan
            arrays[name] = values
    return frame("starts", arrays | columns)


def test_starts_come_back_as_they_were_stored(connection: psycopg.Connection, account_id: int) -> None:
    given = starts(100)
    assert store.put_starts(connection, account_id, given) == (100, 0)
    assert_frame_equal(store.read_starts(connection, account_id), given)


def test_what_was_not_in_the_contract_comes_back_as_json(connection: psycopg.Connection, account_id: int) -> None:
    text = '{"note": "a \\"quoted\\" word, a comma\\nand a line", "n": [1, 2]}'
    given = frame("starts", dict(starts(3)), extra=[None, text, "{}"])
    store.put_starts(connection, account_id, given)
    found = store.read_starts(connection, account_id)
    assert found["extra"][0] is None
    assert msgspec.json.decode(found["extra"][1]) == msgspec.json.decode(text)


def test_storing_again_adds_nothing_and_counts_doubles(connection: psycopg.Connection, account_id: int) -> None:
    store.put_starts(connection, account_id, starts(60))
    assert store.put_starts(connection, account_id, starts(100)) == (40, 60)
    assert len(store.read_starts(connection, account_id)) == 100


def test_the_same_row_twice_in_one_table_is_stored_once(connection: psycopg.Connection, account_id: int) -> None:
    twice = pd.concat([starts(5), starts(5)], ignore_index=True)
    assert store.put_starts(connection, account_id, twice) == (5, 5)


def test_a_table_larger_than_a_chunk_is_counted_right_inside_a_transaction_too(
    connection: psycopg.Connection, account_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.store.tables.CHUNK_ROWS", 7)
    seen: list[int] = []
    with connection.transaction():
        assert store.put_starts(connection, account_id, starts(20), progress=seen.append) == (20, 0)
    assert seen == [7, 7, 6]
    assert len(store.read_starts(connection, account_id)) == 20


def test_an_outcome_that_a_power_log_cannot_tell_stays_unknown(connection: psycopg.Connection, account_id: int) -> None:
    store.put_starts(connection, account_id, starts(2, outcome=[None, "ran"]))
    assert store.read_starts(connection, account_id)["outcome"].tolist() == [None, "ran"]


def test_starts_can_be_asked_for_by_unit_and_time(connection: psycopg.Connection, account_id: int) -> None:
    for unit in ("u-0001", "u-0002", "u-0003"):
        store.put_starts(connection, account_id, starts(48, unit=unit))
    ids = store.unit_ids(connection, account_id, ["u-0002", "u-0003", "nobody"])
    assert sorted(ids) == ["u-0002", "u-0003"]
    found = store.read_starts(
        connection, account_id, ids.values(), since=NOON + timedelta(hours=10), until=NOON + timedelta(hours=20)
    )
    assert found.groupby("unit")["seq"].agg(["min", "max"]).to_dict("index") == {
        "u-0002": {"min": 10, "max": 19},
        "u-0003": {"min": 10, "max": 19},
    }
    assert len(store.read_starts(connection, account_id, [])) == 0


def test_nothing_stored_gives_an_empty_table_of_the_same_shape(connection: psycopg.Connection, account_id: int) -> None:
    assert_frame_equal(store.read_starts(connection, account_id), empty("starts"))
    assert_frame_equal(store.read_rests(connection, account_id), empty("rests"))
    assert_frame_equal(store.read_events(connection, account_id), empty("events"))
    assert_frame_equal(store.read_units(connection, account_id), empty("units"))
    assert_frame_equal(store.read_visits(connection, account_id), empty("visits"))
    assert_frame_equal(store.read_forecasts(connection, account_id), empty("forecasts"))


@pytest.mark.parametrize("at", [datetime(1999, 12, 31, 23, 59, tzinfo=UTC), datetime(2099, 1, 1, tzinfo=UTC)])
def test_a_date_that_cannot_be_is_refused_in_one_line(
    connection: psycopg.Connection, account_id: int, at: datetime
) -> None:
    with pytest.raises(BadInputError, match=r"starts: at: .* of unit u-0001 is before 2000 or more than a day ahead"):
        store.put_starts(connection, account_id, starts(1, first=at))


@pytest.mark.usefixtures("partitioned")
def test_a_partition_that_was_dropped_meanwhile_is_made_again(connection: psycopg.Connection, account_id: int) -> None:
    store.put_starts(connection, account_id, starts(1))
    connection.execute("drop table start_20240114")
    assert store.put_starts(connection, account_id, starts(1)) == (1, 0)
    forget_days(connection)


def test_rests_and_events_come_back_as_they_were_stored(connection: psycopg.Connection, account_id: int) -> None:
    rests = frame(
        "rests",
        {
            "unit": ["u-0001", "u-0001"],
            "seq": [1, 2],
            "at": [NOON, NOON + timedelta(hours=1)],
            "t_s": [[0.0, 30.0, 60.0], [0.0, 30.5]],
            "suction_kpa": [[400.0, None, 650.25], None],
            "liquid_kpa": [[None, None, None], [2400.0, 1900.1]],
            "outdoor_c": [-12.5, np.nan],
        },
    )
    events = frame(
        "events",
        {
            "unit": ["u-0001", "u-0002"],
            "seq": [1, 1],
            "at": [NOON, NOON],
            "event": ["lockout", "reset"],
            "detail": ["third try", None],
        },
        extra=[None, '{"by": "control"}'],
    )
    assert store.put_rests(connection, account_id, rests) == (2, 0)
    assert store.put_rests(connection, account_id, rests) == (0, 2)
    assert store.put_events(connection, account_id, events) == (2, 0)
    assert_frame_equal(store.read_rests(connection, account_id), rests)
    assert_frame_equal(store.read_events(connection, account_id), events)


def units(**columns: list[Any]) -> pd.DataFrame:
    return frame("units", columns)


def test_units_come_back_with_their_site_and_device(connection: psycopg.Connection, account_id: int) -> None:
    given = units(
        unit=["u-0001", "u-0002", "u-0003"],
        site=["s-0001", "s-0001", None],
        zone=["America/Denver", "America/Denver", None],
        lat=[39.1, 39.1, np.nan],
        lon=[-106.2, -106.2, np.nan],
        tons=[3.0, 2.5, np.nan],
        refrigerant=["R410A", None, None],
        start_gear=["none", "ptc", None],
        stages=[1.0, 2.0, np.nan],
        installed=["2019-05-17", None, None],
        device=["d-0001", "d-0002", None],
        model=["model 1", "model 2", None],
    )
    assert store.put_units(connection, account_id, given) == (3, 0)
    assert store.put_units(connection, account_id, given) == (0, 3)
    assert_frame_equal(store.read_units(connection, account_id), given)


def test_loading_units_again_adds_what_is_said_and_keeps_the_rest(
    connection: psycopg.Connection, account_id: int
) -> None:
    store.put_units(connection, account_id, units(unit=["u-0001"], tons=[3.0], refrigerant=["R410A"]))
    store.put_units(connection, account_id, units(unit=["u-0001"], tons=[3.5], model=["model 1"]))
    found = store.read_units(connection, account_id).iloc[0]
    assert (found["tons"], found["refrigerant"], found["model"]) == (3.5, "R410A", "model 1")


def test_a_time_zone_without_a_site_is_not_lost(connection: psycopg.Connection, account_id: int) -> None:
    store.put_units(connection, account_id, units(unit=["u-0001"], zone=["America/Denver"]))
    assert store.read_units(connection, account_id)["zone"].tolist() == ["America/Denver"]


def test_a_device_moves_to_the_unit_that_names_it_but_not_between_accounts(
    connection: psycopg.Connection, account_id: int
) -> None:
    store.put_units(connection, account_id, units(unit=["u-0001"], device=["d-0001"]))
    store.put_units(connection, account_id, units(unit=["u-0002"], device=["d-0001"]))
    assert store.read_units(connection, account_id)["device"].tolist() == [None, "d-0001"]
    other = store.account(connection, "another (example)", create=True)
    with pytest.raises(BadInputError, match="units: device: 'd-0001' belongs to another account"):
        store.put_units(connection, other, units(unit=["u-0001"], device=["d-0001"]))
    assert len(store.read_units(connection, other)) == 0


def test_visits_and_forecasts_come_back_as_they_were_stored(connection: psycopg.Connection, account_id: int) -> None:
    visits = frame(
        "visits",
        {
            "unit": ["u-0001", "u-0001"],
            "at": [NOON, NOON + timedelta(days=3)],
            "work": [["run_capacitor", "other"], ["start_kit_fitted"]],
            "readings": [{"run_cap_uf": 38.2}, {}],
            "parts": [["45 uF capacitor"], []],
            "note": ["swollen case", None],
        },
    )
    forecasts = frame(
        "forecasts",
        {
            "site": ["s-0001"],
            "issued": [NOON],
            "hours": [[{"at": NOON + timedelta(hours=n), "outdoor_c": -10.5 - n} for n in range(5)]],
        },
    )
    assert store.put_visits(connection, account_id, visits) == (2, 0)
    assert store.put_visits(connection, account_id, visits) == (0, 2)
    assert store.put_forecasts(connection, account_id, forecasts) == (1, 0)
    assert store.put_forecasts(connection, account_id, forecasts) == (0, 1)
    assert_frame_equal(store.read_visits(connection, account_id), visits)
    assert_frame_equal(store.read_forecasts(connection, account_id), forecasts)


def test_no_account_sees_what_belongs_to_another(connection: psycopg.Connection, account_id: int) -> None:
    other = store.account(connection, "another (example)", create=True)
    store.put_units(connection, account_id, units(unit=["u-0001"], site=["s-0001"]))
    store.put_starts(connection, account_id, starts(5))
    store.put_visits(connection, account_id, frame("visits", {"unit": ["u-0001"], "at": [NOON], "work": [["other"]],
                                                              "readings": [{}], "parts": [[]]}))  # fmt: skip
    ids = list(store.unit_ids(connection, account_id, ["u-0001"]).values())
    assert store.unit_ids(connection, other, ["u-0001"]) == {}
    assert store.unit_names(connection, other, ids) == {}
    for read in (store.read_starts, store.read_rests, store.read_events, store.read_units, store.read_visits):
        assert len(read(connection, other)) == 0
        assert len(read(connection, other, ids)) == 0
    assert len(store.read_forecasts(connection, other)) == 0


def test_an_unknown_account_gives_one_line(connection: psycopg.Connection) -> None:
    with pytest.raises(BadInputError, match="account: there is none named 'nobody'; make it with"):
        store.account(connection, "nobody")


def test_new_rows_mark_their_days_and_doubles_mark_none(connection: psycopg.Connection, account_id: int) -> None:
    store.put_starts(connection, account_id, starts(24))
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    taken = store.take_dirty(connection, 100)
    assert sorted(taken) == [(account_id, unit_id, date(2024, 1, 14)), (account_id, unit_id, date(2024, 1, 15))]
    assert store.take_dirty(connection, 100) == []
    store.done_dirty(connection, taken)
    store.put_starts(connection, account_id, starts(24))
    assert store.take_dirty(connection, 100) == []


def test_a_day_that_changes_while_the_watch_works_on_it_comes_back(
    connection: psycopg.Connection, account_id: int
) -> None:
    store.put_starts(connection, account_id, starts(1))
    taken = store.take_dirty(connection, 10)
    store.put_starts(connection, account_id, starts(2))
    store.done_dirty(connection, taken)
    assert store.take_dirty(connection, 10) == taken


def test_a_day_taken_by_a_watch_that_died_comes_back(connection: psycopg.Connection, account_id: int) -> None:
    store.put_starts(connection, account_id, starts(1))
    taken = store.take_dirty(connection, 10)
    connection.execute("update dirty_day set taken_at = taken_at - interval '11 minutes'")
    assert store.take_dirty(connection, 10) == taken


def test_the_newest_start_of_a_unit_is_noted_and_never_goes_back(
    connection: psycopg.Connection, account_id: int
) -> None:
    store.put_starts(connection, account_id, starts(3, first=NOON))
    store.put_starts(connection, account_id, starts(3, first=NOON - timedelta(days=9)))
    row = connection.execute("select last_at from heard").fetchone()
    assert row == (NOON + timedelta(hours=2, microseconds=2),)


def test_a_commit_of_new_rows_wakes_who_listens(connection: psycopg.Connection, account_id: int, database: str) -> None:
    with connect(database) as watch:
        watch.execute(f"listen {store.DIRTY_CHANNEL}")
        store.put_starts(connection, account_id, starts(3))
        assert [n.channel for n in watch.notifies(timeout=5, stop_after=1)] == [store.DIRTY_CHANNEL]


def test_the_newest_verdict_of_a_unit_is_its_standing(connection: psycopg.Connection, account_id: int) -> None:
    store.put_units(connection, account_id, units(unit=["u-0001", "u-0002"]))
    rows = [
        store.VerdictRow(
            "u-0001", NOON + timedelta(days=n), "steady" if n == 0 else "watch", float(n), b'{"n": %d}' % n
        )
        for n in range(3)
    ]
    assert store.put_verdicts(connection, account_id, rows) == 3
    older = store.VerdictRow("u-0001", NOON - timedelta(days=1), "down", 9.0, b"{}")
    store.put_verdicts(connection, account_id, [older, older._replace(standing="learning")])
    assert connection.execute("select standing, rank, body from standing").fetchall() == [("watch", 2.0, {"n": 2})]
    assert connection.execute("select count(*) from verdict").fetchone() == (4,)


def test_a_verdict_about_a_unit_of_nobody_is_refused(connection: psycopg.Connection, account_id: int) -> None:
    row = store.VerdictRow("u-0009", NOON, "steady", 0.0, b"{}")
    with pytest.raises(BadInputError, match="the account has no unit 'u-0009'"):
        store.put_verdicts(connection, account_id, [row])
