"""Rows that are all new go straight into their table, others by way of staging, and both leave the same behind."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import store
from ingest.database import connect
from ingest.store.series import EVENTS, STARTS, Row, day_of, in_order, merge, prepare
from ingest.wire import START_FIELDS
from tests.ingest.intake_helpers import count, register

NOON = datetime(2024, 1, 14, 12, tzinfo=UTC)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def row(unit_id: int, seq: int, at: datetime = NOON, account_id: int = 1, received_at: datetime = NOON) -> Row:
    values = {"seq": seq, "at": at, "outcome": "ran", "run_up_s": 0.21}
    return (*(values.get(name) for name in START_FIELDS), account_id, unit_id, None, received_at)


def put(connection: psycopg.Connection, rows: list[Row]) -> dict[int, int]:
    ready = in_order(STARTS, rows)
    prepare(connection, STARTS, {day for _, day, _ in ready.touched.days})
    return merge(connection, ready)


def kept(connection: psycopg.Connection) -> list[list[tuple[Any, ...]]]:
    queries = (
        "select unit_id, at, seq, outcome, run_up_s, received_at from start order by 1, 2, 3",
        "select unit_id, day, account_id, taken_at from dirty_day order by 1, 2",
        "select unit_id, account_id, last_at, last_received_at from heard order by 1",
    )
    return [connection.execute(query).fetchall() for query in queries]


@pytest.mark.stack
def test_new_rows_are_copied_straight_and_doubles_by_way_of_staging(connection: psycopg.Connection) -> None:
    account_id = register(connection, units=2)
    ids = list(store.unit_ids(connection, account_id, ["u-0001", "u-0002"]).values())
    rows = [row(unit_id, n, NOON + timedelta(hours=7 * n), account_id) for n in range(6) for unit_id in ids]
    staging = "select count(*) from pg_class where relname = 'start_stage'"
    assert put(connection, rows[:8]) == {account_id: 8}
    assert connection.execute(staging).fetchone() == (0,)
    assert put(connection, rows) == {account_id: 4}
    assert connection.execute(staging).fetchone() == (1,)
    assert put(connection, rows) == {}
    assert count(connection, "start") == 12


@pytest.mark.stack
def test_either_way_leaves_the_same_rows_the_same_days_and_the_same_newest(connection: psycopg.Connection) -> None:
    account_id = register(connection, units=3)
    ids = list(store.unit_ids(connection, account_id, ["u-0001", "u-0002", "u-0003"]).values())
    rows = [
        row(ids[n % 3], n, NOON + timedelta(hours=31 * (n * 5 % 11)), account_id, NOON + timedelta(minutes=n * 7 % 13))
        for n in range(30)
    ]
    assert put(connection, rows) == {account_id: 30}
    straight = kept(connection)
    connection.execute("truncate start, dirty_day, heard")
    assert put(connection, [*rows, rows[4]]) == {account_id: 30}  # a key that stands twice: by way of staging
    assert kept(connection) == straight


@pytest.mark.stack
def test_a_day_that_a_watch_has_taken_comes_back_and_the_newest_never_goes_back(
    connection: psycopg.Connection,
) -> None:
    account_id = register(connection)
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    put(connection, [row(unit_id, 2, NOON, account_id)])
    connection.execute("update dirty_day set taken_at = now()")
    put(connection, [row(unit_id, 1, NOON - timedelta(hours=1), account_id)])
    assert connection.execute("select taken_at from dirty_day").fetchall() == [(None,)]
    assert connection.execute("select last_at from heard").fetchall() == [(NOON,)]


@pytest.mark.stack
def test_rows_are_there_for_nobody_until_the_callers_transaction_ends(
    database: str, connection: psycopg.Connection
) -> None:
    account_id = register(connection)
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    put(connection, [row(unit_id, 1, NOON, account_id)])
    with connect(database) as other:
        with connection.transaction():
            assert put(connection, [row(unit_id, n, NOON, account_id) for n in (2, 3)]) == {account_id: 2}
            assert put(connection, [row(unit_id, n, NOON, account_id) for n in (1, 3, 4)]) == {account_id: 1}
            assert count(other, "start") == 1
        assert count(other, "start") == 4


@pytest.mark.stack
def test_the_way_is_straight_again_once_a_batch_was_all_new(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    unit_id = store.unit_ids(connection, account_id, ["u-0001"])["u-0001"]
    for numbers in ((1, 2), (2, 3), (4, 5)):  # straight, then staged, then staged and all new
        put(connection, [row(unit_id, n, NOON, account_id) for n in numbers])
    connection.execute("drop table start_stage")
    assert put(connection, [row(unit_id, 6, NOON, account_id)]) == {account_id: 1}
    assert connection.execute("select to_regclass('start_stage')").fetchone() == (None,)


ROWS = st.lists(
    st.tuples(
        st.integers(1, 3),
        st.integers(0, 4),
        st.datetimes(datetime(2024, 1, 1), datetime(2024, 1, 3)),  # noqa: DTZ001 - the zone is put on
        st.sampled_from([UTC, timezone(timedelta(hours=-7)), timezone(timedelta(hours=5, minutes=45))]),
        st.integers(0, 3),
    ),
    min_size=1,
    max_size=12,
)


@given(told=ROWS)
def test_rows_stand_in_the_order_of_day_unit_time_and_number(told: list[tuple[Any, ...]]) -> None:
    rows = [row(u, seq, at.replace(tzinfo=z), 1 + u % 2, NOON + timedelta(hours=h)) for u, seq, at, z, h in told]
    _, ordered, touched = in_order(STARTS, rows)
    width = len(START_FIELDS)
    keys = [(day_of(one[1]), one[width + 1], one[1], one[0]) for one in ordered]
    assert keys == sorted(keys)
    assert sorted(map(repr, ordered)) == sorted(map(repr, rows))
    assert touched.days == sorted({(one[width + 1], day_of(one[1]), one[width]) for one in rows})
    newest = [
        (u, 1 + u % 2, max(one[1] for one in own), max(one[-1] for one in own))
        for u in (1, 2, 3)
        if (own := [one for one in rows if one[width + 1] == u])
    ]
    assert touched.newest == newest
    assert sum(touched.rows.values()) == len(rows)


def test_only_starts_have_a_newest() -> None:
    event: Row = (1, NOON, "reset", None, 1, 1, None, NOON)
    assert in_order(EVENTS, [event]).touched.newest == []
