"""What was never received is known by its numbers, and closed when it comes late."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import quarantine, store
from ingest.database import connect
from ingest.intake import Message, take_in
from ingest.store import sequence
from tests.ingest.intake_helpers import encode, register, start

NOW = datetime(2024, 2, 1, tzinfo=UTC)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def starts(*numbers: int, device: str = "d-0001", received_at: datetime = NOW) -> Message:
    return Message(f"halfsecond/1/{device}/starts", encode(*[start(n) for n in numbers]), received_at)


def events(*numbers: int) -> Message:
    items = [{"seq": n, "at": f"2024-01-14T12:{n % 60:02d}:00Z", "event": "reset"} for n in numbers]
    return Message("halfsecond/1/d-0001/events", encode(*items), NOW)


def status(received_at: datetime = NOW, **fields: Any) -> Message:
    return Message("halfsecond/1/d-0001/status", encode({"online": True} | fields), received_at)


def missing(connection: psycopg.Connection, account_id: int) -> tuple[int, str]:
    found = sequence.gaps(connection, account_id)
    assert len(found) <= 1
    return (found[0]["missing"], found[0]["ranges"]) if found else (0, "{}")


@pytest.mark.stack
def test_a_gap_is_known_and_closes_when_the_missing_arrive_late(connection: psycopg.Connection) -> None:
    account_id = register(connection, units=2)
    take_in(connection, [starts(*range(10, 20)), starts(25, 26, device="d-0002")])
    assert missing(connection, account_id) == (0, "{}")
    take_in(connection, [starts(22, 23)])
    assert missing(connection, account_id) == (2, "{[20,22)}")
    assert sequence.gaps(connection, account_id)[0]["unit"] == "u-0001"
    take_in(connection, [starts(21)])
    assert missing(connection, account_id) == (1, "{[20,21)}")
    take_in(connection, [starts(20, 22)])
    assert missing(connection, account_id) == (0, "{}")


@pytest.mark.stack
def test_what_a_status_says_was_sent_is_missing_after_ten_minutes(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    wall = datetime.now(UTC)
    take_in(connection, [starts(*range(5)), status(sent=9, received_at=wall)])
    assert missing(connection, account_id) == (0, "{}")
    take_in(connection, [status(sent=9, received_at=wall - timedelta(minutes=11))])
    assert missing(connection, account_id) == (5, "{}")
    take_in(connection, [starts(*range(5, 10))])
    assert missing(connection, account_id) == (0, "{}")


@pytest.mark.stack
def test_each_kind_has_its_own_numbers(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take_in(connection, [starts(*range(1, 9)), events(1, 2, 3, 6)])
    assert missing(connection, account_id) == (2, "{[4,6)}")


@pytest.mark.stack
def test_a_device_that_numbers_all_kinds_together_misses_nothing(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take_in(connection, [starts(1, 2, 4, 6, 7), events(3, 5, 8)])
    assert missing(connection, account_id) == (0, "{}")
    take_in(connection, [starts(10)])
    assert missing(connection, account_id) == (1, "{[9,10)}")


@pytest.mark.stack
def test_kinds_that_began_far_from_each_other_are_not_taken_for_one_count(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take_in(connection, [starts(*range(5000, 5010)), events(3000, 3001)])
    assert missing(connection, account_id) == (0, "{}")


@pytest.mark.stack
def test_a_record_in_quarantine_has_come(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    bad = Message("halfsecond/1/d-0001/starts", encode(start(2, run_a=-1)), NOW)
    take_in(connection, [starts(1), bad, starts(3)])
    assert quarantine.counted(connection, account_id) == {"impossible_value": 1}
    assert missing(connection, account_id) == (0, "{}")


@pytest.mark.stack
def test_an_accounts_gaps_are_its_own_and_may_be_forgotten(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    other = store.account(connection, "another (example)", create=True)
    take_in(connection, [starts(1, 5), status(sent=9, received_at=datetime.now(UTC) - timedelta(hours=1))])
    assert missing(connection, account_id) == (7, "{[2,5)}")
    assert sequence.gaps(connection, other) == []
    assert not sequence.forget(connection, other, "d-0001")
    assert sequence.forget(connection, account_id, "d-0001")
    assert missing(connection, account_id) == (0, "{}")


@pytest.mark.stack
def test_a_batch_that_is_not_stored_leaves_no_number(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    connection.execute("drop table quarantine")
    with pytest.raises(psycopg.errors.UndefinedTable):
        take_in(connection, [starts(1), Message("?", b"?", NOW)])
    assert connection.execute("select count(*) from device_seq where account_id = %s", (account_id,)).fetchone() == (0,)


@pytest.mark.stack
def test_a_device_that_numbers_at_random_cannot_make_its_row_grow(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    for first in range(0, 60_000, 6_000):
        sequence.note(connection, {("d-0001", "starts"): (account_id, list(range(first, first + 6_000, 2)))})
    row = connection.execute("select pg_column_size(received), upper(received) from device_seq").fetchone()
    assert row is not None
    assert row[0] < 80_000
    assert row[1] == 59_999


@pytest.mark.stack
def test_the_largest_number_is_stored_though_no_range_can_end_after_it(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take_in(connection, [starts(2**63 - 1), starts(2**63 - 2)])
    assert len(store.read_starts(connection, account_id)) == 2
    assert quarantine.counted(connection, account_id) == {}


@settings(max_examples=200, deadline=None)
@given(numbers=st.lists(st.integers(0, 40)))
def test_numbers_become_ranges_that_hold_them_and_nothing_else(numbers: list[int]) -> None:
    text = sequence.multirange(numbers)
    parts = [part.strip("[)").split(",") for part in text.strip("{}").replace("),[", ")|[").split("|") if part]
    ranges = [range(int(first), int(end)) for first, end in parts]
    assert [n for one in ranges for n in one] == sorted(set(numbers))
    assert all(a.stop < b.start for a, b in itertools.pairwise(ranges))
