"""On TimescaleDB: chunks go into the columnstore, and rows that come late or twice find their place there."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest

from ingest import store, upkeep
from ingest.database import connect
from ingest.frames import frame
from ingest.intake import Message, take_in
from ingest.store import checking
from tests.ingest.intake_helpers import count, encode, register, start

pytestmark = [pytest.mark.stack, pytest.mark.usefixtures("hypertables")]
NOW = datetime(2024, 2, 20, 15, tzinfo=UTC)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    """A store with 40 days of four units' starts, what is older than a fortnight in the columnstore."""
    with connect(database) as opened:
        account_id = register(opened, units=4)
        length = 40 * 24
        at = [datetime(2024, 1, 10, tzinfo=UTC) + timedelta(hours=n) for n in range(length)]
        for unit in range(1, 5):
            beside = {"unit": [f"u-{unit:04d}"] * length, "seq": list(range(length)), "at": at}
            store.put_starts(opened, account_id, frame("starts", beside | {"outcome": ["ran"] * length}))
        done = upkeep.tend(opened, now=NOW)
        assert done is not None
        assert done.packed > 20
        yield opened


def message(seq: int, at: datetime, **fields: Any) -> Message:
    return Message("halfsecond/1/d-0001/starts", encode(start(seq, at=at.isoformat(), **fields)), NOW)


def packed(connection: psycopg.Connection) -> int:
    return next(int(row["packed"]) for row in checking.sizes(connection) if row["table"] == "start")


def test_packed_rows_are_read_as_they_were_stored(connection: psycopg.Connection) -> None:
    assert packed(connection) > 20
    assert count(connection, "start") == 4 * 40 * 24
    table = store.read_starts(
        connection, 1, since=datetime(2024, 1, 10, tzinfo=UTC), until=datetime(2024, 1, 11, tzinfo=UTC)
    )
    assert len(table) == 4 * 24


def test_a_late_row_and_a_double_into_a_packed_chunk_are_stored_once(connection: psycopg.Connection) -> None:
    late = datetime(2024, 1, 15, 7, 30, tzinfo=UTC)
    there = datetime(2024, 1, 15, 7, tzinfo=UTC)
    again = encode({"seq": 127, "at": there.isoformat(), "outcome": "ran"})
    batch = [message(5_000, late), Message("halfsecond/1/d-0001/starts", again, NOW), message(5_001, NOW)]
    (tally,) = take_in(connection, batch).values()
    assert (tally.stored, tally.doubles, tally.quarantined) == (2, 1, 0)
    (tally,) = take_in(connection, batch).values()
    assert (tally.stored, tally.doubles, tally.quarantined) == (0, 3, 0)
    assert count(connection, "start") == 4 * 40 * 24 + 2
    rows = connection.execute("select day from dirty_day where unit_id = 1 and day = '2024-01-15'").fetchall()
    assert len(rows) == 1


def test_a_record_with_other_content_than_stands_in_a_packed_chunk_goes_to_quarantine(
    connection: psycopg.Connection,
) -> None:
    (tally,) = take_in(connection, [message(127, datetime(2024, 1, 15, 7, tzinfo=UTC), run_up_s=0.4)]).values()
    assert (tally.stored, tally.doubles, tally.quarantined) == (0, 0, 1)
    assert connection.execute("select reason from quarantine").fetchall() == [("key_taken",)]
    assert count(connection, "start") == 4 * 40 * 24


def test_a_chunk_that_took_late_rows_is_packed_again_and_nothing_is_lost(connection: psycopg.Connection) -> None:
    take_in(connection, [message(5_000 + n, datetime(2024, 1, 15, 7, n, tzinfo=UTC)) for n in range(1, 50)])
    done = upkeep.tend(connection, now=NOW)
    assert done is not None
    assert done.packed == 1
    assert upkeep.tend(connection, now=NOW) == upkeep.Tended()
    assert count(connection, "start") == 4 * 40 * 24 + 49


def test_old_chunks_are_dropped_whole_packed_or_not(connection: psycopg.Connection) -> None:
    done = upkeep.tend(connection, keep_days=10, now=NOW)
    assert done is not None
    assert done.dropped > 20
    earliest = store.read_starts(connection, 1)["at"].min()
    assert earliest == datetime(2024, 2, 10, tzinfo=UTC)
    assert [finding.check for finding in checking.check(connection) if not finding.ok] == []
