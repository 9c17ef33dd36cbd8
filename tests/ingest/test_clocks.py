"""Records of a clock that is certainly off are put right as they come in, once, and the original is kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest

from ingest import store
from ingest.database import connect
from ingest.intake import Message, Tally, take_in
from tests.ingest.intake_helpers import encode, register

pytestmark = pytest.mark.stack
NOON = datetime(2024, 1, 14, 12, tzinfo=UTC)
BEHIND = timedelta(hours=1, seconds=7)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


@pytest.fixture
def account_id(connection: psycopg.Connection) -> int:
    return register(connection)


def status(at: datetime, behind: timedelta = BEHIND, *, retained: bool = False, **fields: Any) -> Message:
    payload = encode({"online": True, "at": (at - behind).isoformat()} | fields)
    return Message("halfsecond/1/d-0001/status", payload, at + timedelta(seconds=1), retained)


def start(seq: int, at: datetime, behind: timedelta = BEHIND, late: timedelta = timedelta(seconds=1)) -> Message:
    item = {"seq": seq, "at": (at - behind).isoformat(), "outcome": "ran", "colour": "red"}
    return Message("halfsecond/1/d-0001/starts", encode(item), at + late)


def event(seq: int, at: datetime, behind: timedelta = BEHIND) -> Message:
    item = {"seq": seq, "at": (at - behind).isoformat(), "event": "reset"}
    return Message("halfsecond/1/d-0001/events", encode(item), at + timedelta(seconds=1))


def make_certain(connection: psycopg.Connection) -> int:
    """Send seven hours of statuses and two starts an hour; return how many starts were sent."""
    for hour in range(7):
        at = NOON + timedelta(hours=hour)
        take_in(connection, [status(at)])
        take_in(connection, [start(2 * hour + n, at + timedelta(minutes=20 + n)) for n in range(2)])
    return 14


def found(connection: psycopg.Connection, account_id: int) -> dict[int, datetime]:
    table = store.read_starts(connection, account_id)
    return {int(seq): at.to_pydatetime() for seq, at in zip(table["seq"], table["at"], strict=True)}


def test_once_it_is_certain_new_records_are_put_right_and_keep_what_was_sent(
    connection: psycopg.Connection, account_id: int
) -> None:
    sent = make_certain(connection)
    before = found(connection, account_id)
    # Six statuses and ten records make it certain: what came before stays as it was sent.
    assert [seq for seq, at in before.items() if at.second < 10] == [10, 11, 12, 13]
    later = NOON + timedelta(hours=8)
    tallies = take_in(connection, [start(sent, later), event(1, later)])
    assert tallies[account_id] == Tally(received=2, stored=2)
    at = found(connection, account_id)[sent]
    assert abs(at - later) < timedelta(seconds=3)
    table = store.read_starts(connection, account_id)
    extra = json.loads(table["extra"].iloc[-1])
    assert extra == {"colour": "red", "at_sent": (later - BEHIND).isoformat()}
    (row,) = store.read_events(connection, account_id)["extra"]
    assert json.loads(row) == {"at_sent": (later - BEHIND).isoformat()}


def test_a_redelivered_record_falls_on_its_key_whether_it_was_put_right_or_not(
    connection: psycopg.Connection, account_id: int
) -> None:
    sent = make_certain(connection)
    later = NOON + timedelta(hours=8)
    batch = [start(sent + n, later + timedelta(minutes=n)) for n in range(3)]
    early = start(1, NOON + timedelta(minutes=21))
    take_in(connection, batch)
    after = found(connection, account_id)
    again = [early, *(message._replace(received_at=later + timedelta(hours=2)) for message in batch), batch[0]]
    assert take_in(connection, again)[account_id] == Tally(received=5, doubles=5)
    assert found(connection, account_id) == after
    # Let the clock be set right and the same come once more.
    take_in(connection, [status(later + timedelta(hours=3), timedelta())])
    row = connection.execute("select offset_s from device_clock").fetchone()
    assert row == (None,)


def test_history_that_was_kept_back_is_stored_as_it_was_sent(connection: psycopg.Connection, account_id: int) -> None:
    sent = make_certain(connection)
    made_at = NOON + timedelta(hours=7, minutes=30)
    take_in(connection, [start(sent, made_at, late=timedelta(minutes=40))])
    assert found(connection, account_id)[sent] == made_at - BEHIND


def test_a_record_made_after_the_clock_was_set_is_left_alone_and_ends_it(
    connection: psycopg.Connection, account_id: int
) -> None:
    sent = make_certain(connection)
    later = NOON + timedelta(hours=8)
    take_in(connection, [start(sent, later, timedelta())])
    assert found(connection, account_id)[sent] == later
    assert connection.execute("select offset_s from device_clock").fetchone() == (None,)


def test_statuses_that_the_broker_kept_and_those_without_a_time_say_nothing(
    connection: psycopg.Connection, account_id: int
) -> None:
    take_in(connection, [status(NOON, retained=True), Message("halfsecond/1/d-0001/status", b'{"online": true}', NOON)])
    assert connection.execute("select count(*) from device_clock").fetchone() == (0,)
    assert account_id


def test_a_record_dated_after_its_receipt_is_noted_with_its_largest_lead(
    connection: psycopg.Connection, account_id: int
) -> None:
    ahead = timedelta(minutes=5)
    take_in(connection, [start(1, NOON, -ahead), start(2, NOON, -timedelta(seconds=30))])
    take_in(connection, [start(3, NOON + ahead, -ahead / 2)])
    row = connection.execute("select device, ahead_s, ahead_at from device_clock").fetchone()
    assert row == ("d-0001", 299.0, NOON + timedelta(seconds=1))
    assert len(found(connection, account_id)) == 3
