"""Partitions stand ready ahead of time, old days go whole, and quarantine keeps within its bounds."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from functools import partial

import psycopg
import pytest

from ingest import held, store, upkeep
from ingest.database import connect
from ingest.frames import frame
from ingest.held import Held
from ingest.intake import Message, take_in
from tests.ingest.intake_helpers import count, encode, eventually, register, start

pytestmark = pytest.mark.stack
NOW = datetime(2024, 2, 20, 15, tzinfo=UTC)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def days(connection: psycopg.Connection, table: str) -> set[date]:
    rows = connection.execute(
        "select substring(inhrelid::regclass::text from '[0-9]{8}$')::date from pg_inherits"
        " where inhparent = to_regclass(%s)",
        (table,),
    )
    return {day for (day,) in rows}


def history(connection: psycopg.Connection, account_id: int, first: datetime, length: int) -> None:
    """A start and an event a day of one unit."""
    at = [first + timedelta(days=n) for n in range(length)]
    beside = {"unit": ["u-0001"] * length, "seq": list(range(length)), "at": at}
    store.put_starts(connection, account_id, frame("starts", beside | {"outcome": ["ran"] * length}))
    store.put_events(connection, account_id, frame("events", beside | {"event": ["reset"] * length}))


@pytest.mark.usefixtures("partitioned")
def test_the_days_to_come_have_their_partitions_before_they_come(connection: psycopg.Connection) -> None:
    assert upkeep.tend(connection, now=NOW) == upkeep.Tended()
    ahead = {NOW.date() + timedelta(days=n) for n in range(-1, 8)}
    assert days(connection, "start") == days(connection, "rest") == ahead


def test_whole_days_beyond_what_is_kept_are_dropped_and_the_others_stay(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    history(connection, account_id, datetime(2023, 12, 1, 12, tzinfo=UTC), 80)  # to 18 February
    assert upkeep.tend(connection, now=NOW) is not None
    assert (count(connection, "start"), count(connection, "event")) == (80, 80)
    done = upkeep.tend(connection, keep_days=40, now=NOW)
    assert done is not None
    assert (done.dropped, done.deleted, done.waiting) == (41, 41 + 41, 0)  # 41 events, and days of the watch
    table = store.read_starts(connection, account_id)
    assert table["at"].min() == datetime(2024, 1, 11, 12, tzinfo=UTC)
    assert (len(table), count(connection, "event")) == (39, 39)
    assert upkeep.tend(connection, keep_days=40, now=NOW) == upkeep.Tended()


def test_what_comes_after_its_day_was_dropped_is_stored_all_the_same(
    database: str, connection: psycopg.Connection
) -> None:
    account_id = register(connection)
    with connect(database) as other:
        message = Message("halfsecond/1/d-0001/starts", encode(start(1)), NOW)
        take_in(other, [message])
        upkeep.tend(connection, keep_days=10, now=NOW)
        assert count(connection, "start") == 0
        assert take_in(other, [message])[account_id].stored == 1  # though `other` remembers the partition that is gone


@pytest.mark.usefixtures("partitioned")
def test_a_day_in_use_is_left_for_the_next_time(database: str, connection: psycopg.Connection) -> None:
    account_id = register(connection)
    history(connection, account_id, datetime(2024, 1, 1, tzinfo=UTC), 1)
    with connect(database) as reader, reader.transaction():
        reader.execute("select count(*) from start")
        done = upkeep.tend(connection, keep_days=10, now=NOW)
        assert done is not None
        assert (done.dropped, done.waiting) == (0, 1)
    done = upkeep.tend(connection, keep_days=10, now=NOW)
    assert done is not None
    assert (done.dropped, done.waiting) == (1, 0)


def test_only_one_session_looks_after_a_database_at_a_time(database: str, connection: psycopg.Connection) -> None:
    with connect(database) as other:
        other.execute("select pg_advisory_lock(hashtext('halfsecond upkeep'))")
        assert upkeep.tend(connection, now=NOW) is None
        other.execute("select pg_advisory_unlock(hashtext('halfsecond upkeep'))")
    assert upkeep.tend(connection, now=NOW) is not None


@pytest.mark.usefixtures("partitioned")
def test_it_runs_beside_a_program_and_ends_with_it(database: str, connection: psycopg.Connection) -> None:
    with upkeep.running(database, every_s=0.05):
        assert eventually(lambda: datetime.now(UTC).date() + timedelta(days=7) in days(connection, "start"))


def test_a_database_that_is_away_does_not_end_it(caplog: pytest.LogCaptureFixture) -> None:
    with upkeep.running("host=127.0.0.1 port=1 dbname=none", every_s=0.05):
        assert eventually(lambda: len(caplog.messages) > 1, within_s=10)
    assert "upkeep: database: cannot be reached" in caplog.messages[0]


def item(n: int, device: str | None, size: int = 10) -> Held:
    return Held(None, device, f"t/{device}", f"{n:0{size}d}".encode(), "bad_json", "no", NOW)


def test_quarantine_drops_the_oldest_of_those_that_have_most(
    connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.held._put", 0)
    held.put(connection, [item(n, "loud") for n in range(100)] + [item(n, "quiet") for n in range(5)])
    connection.execute("update quarantine set released_at = now() where topic = 't/quiet' and payload = '0000000004'")
    assert held.trim(connection, items=50) == 55
    rows = connection.execute(
        "select topic, convert_from(payload, 'utf8')::int from quarantine order by 1, 2"
    ).fetchall()
    assert [n for topic, n in rows if topic == "t/quiet"] == [0, 1, 2, 3]
    loud = [n for topic, n in rows if topic == "t/loud"]
    assert len(loud) == 46
    newest = connection.execute("select max(convert_from(payload, 'utf8')::int) from quarantine where topic = 't/loud'")
    assert newest.fetchone() == (99,)
    assert held.trim(connection, items=50) == 0


def test_quarantine_keeps_within_its_bytes_too_and_looks_by_itself(
    connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.held._put", 0)
    monkeypatch.setattr("ingest.held._LOOK_EVERY", 100)
    monkeypatch.setattr("ingest.held.trim", partial(held.trim, size_bytes=20_000))
    for first in range(0, 300, 10):
        held.put(connection, [item(n, "d", size=1_000) for n in range(first, first + 10)])
    row = connection.execute("select count(*), sum(octet_length(payload)) from quarantine").fetchone()
    assert row == (20, 20_000)
