"""From messages to rows: whose device it is, what it says, and all of a batch in one transaction.

The same path serves the subscriber and the quarantine: what is put through again is judged as if it had just come.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any, NamedTuple, cast

import psycopg
from msgspec.structs import astuple

from ingest import held as quarantine
from ingest import mapped, mapping
from ingest.database import forget_days
from ingest.decode import decode
from ingest.held import Held
from ingest.named_sql import queries
from ingest.store.jsonb import as_jsonb
from ingest.store.series import EVENTS, RESTS, STARTS, Row, Series, merge, prepare
from ingest.wire import KINDS, TOPIC_ROOT, Kind

_SERIES: dict[Kind, Series] = {"starts": STARTS, "rests": RESTS, "events": EVENTS}


class Message(NamedTuple):
    """A message as it came; ``retained`` says that the broker kept it and it may be old."""

    topic: str
    payload: bytes
    received_at: datetime
    retained: bool = False


@dataclass(frozen=True)
class Sorted:
    """What a batch comes to: rows by series, statuses, what goes into quarantine, and records by account."""

    rows: dict[Kind, list[Row]] = field(default_factory=lambda: {"starts": [], "rests": [], "events": []})
    statuses: list[dict[str, Any]] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    days: dict[Kind, set[date]] = field(default_factory=lambda: {"starts": set(), "rests": set(), "events": set()})
    received: Counter[int | None] = field(default_factory=Counter)


@dataclass
class Tally:
    """What became of an account's records in a batch."""

    received: int = 0
    stored: int = 0
    doubles: int = 0
    quarantined: int = 0


Tallies = dict[int | None, Tally]
"""By account; None is what belongs to nobody known."""

Mappings = tuple[mapping.Source, ...]


class _Place(NamedTuple):
    """What a topic says: whose message it is, of what kind, and the mapping to read it by where it is not ours."""

    device: str
    kind: Kind
    source: mapping.Source | None = None


def take_in(connection: psycopg.Connection, messages: Sequence[Message], mappings: Mappings = ()) -> Tallies:
    """Store a batch of messages in one transaction; what cannot be stored goes into quarantine with its reason.

    A message that the database itself refuses, for a cause that no check here foresaw, is found by halving the batch
    and goes into quarantine too, so that it never blocks the others. ``mappings`` say how to read what other loggers
    send under topics of their own.

    Raises
    ------
    psycopg.OperationalError
        The database is away: nothing of the batch is stored, or all of it.
    """
    try:
        return write(connection, sort(connection, messages, mappings))
    except psycopg.errors.CheckViolation:  # a partition that this connection remembers is gone
        forget_days(connection)
        return write(connection, sort(connection, messages, mappings))
    except (psycopg.DataError, psycopg.IntegrityError, psycopg.errors.ProgramLimitExceeded) as error:
        if len(messages) == 1:
            return write(connection, _refused(messages[0], error))
        half = len(messages) // 2
        return added(take_in(connection, messages[:half], mappings), take_in(connection, messages[half:], mappings))


def sort(connection: psycopg.Connection, messages: Sequence[Message], mappings: Mappings = ()) -> Sorted:
    """Tell of each message whose it is and what it says; nothing is written."""
    places = [_place(message.topic, mappings) for message in messages]
    names = list({place.device for place in places if place is not None})
    known = {device: (a, u) for device, a, u in connection.execute(_SQL["devices"], (names,))}
    batch = Sorted()
    for message, place in zip(messages, places, strict=True):
        if place is None:
            detail = f"expected {TOPIC_ROOT}/DEVICE/{'|'.join(KINDS)}"
            _hold(batch, message, None, None, "bad_topic", detail, message.payload)
        elif place.device not in known:
            detail = f"device: {place.device!r} is not registered; add it with 'halfsecond device add', then replay"
            _hold(batch, message, None, place.device, "unknown_device", detail, message.payload)
        else:
            _add(batch, message, place, *known[place.device])
    return batch


def write(connection: psycopg.Connection, batch: Sorted) -> Tallies:
    """Write a sorted batch in one transaction and say what became of it, by account."""
    for kind, series in _SERIES.items():
        prepare(connection, series, batch.days[kind])
    tallies = {account: Tally(received=count) for account, count in batch.received.items()}
    with connection.transaction():
        for kind, series in _SERIES.items():
            rows = batch.rows[kind]
            if not rows:
                continue
            new = merge(connection, series, rows)
            width = len(series.fields)
            for account, count in Counter(row[width] for row in rows).items():
                tallies[account].stored += new.get(account, 0)
                tallies[account].doubles += count - new.get(account, 0)
        if batch.statuses:
            newest = {status["device"]: status for status in batch.statuses}
            connection.cursor().executemany(_SQL["put_status"], [newest[device] for device in sorted(newest)])
        quarantine.put(connection, batch.held)
    for held in batch.held:
        tallies[held.account_id].quarantined += 1
    return tallies


def added(first: Tallies, second: Tallies) -> Tallies:
    """Return the sum of two batches' tallies."""
    total = dict(first)
    for account, tally in second.items():
        before = total.get(account, Tally())
        total[account] = Tally(
            before.received + tally.received,
            before.stored + tally.stored,
            before.doubles + tally.doubles,
            before.quarantined + tally.quarantined,
        )
    return total


def _place(topic: str, mappings: Mappings) -> _Place | None:
    """Return what a topic says, or None where it is neither one of ours nor one that a mapping knows."""
    head, _, kind = topic.rpartition("/")
    root, _, device = head.rpartition("/")
    if root == TOPIC_ROOT and device and kind in KINDS:
        return _Place(device, cast("Kind", kind))
    found = mapping.find(mappings, topic)
    return _Place(found[1], found[0].kind, found[0]) if found else None


def _add(batch: Sorted, message: Message, place: _Place, account_id: int, unit_id: int) -> None:
    device, kind, source = place
    if source is None:
        good, bad = decode(kind, message.payload, message.received_at)
    else:
        good, bad = mapped.decoded(source, message.payload, message.received_at)
    for item in bad:
        _hold(batch, message, account_id, device, item.reason, item.detail, item.payload)
    batch.received[account_id] += len(good)
    if kind == "status":
        for record, _ in good:
            values = {name: getattr(record, name) for name in record.__struct_fields__}
            beside = {"device": device, "account_id": account_id, "received_at": message.received_at}
            batch.statuses.append(values | beside | {"retained": message.retained})
        return
    rows, days, received_at = batch.rows[kind], batch.days[kind], message.received_at
    width = len(_SERIES[kind].fields)
    for record, extra in good:
        beside_row = (account_id, unit_id, None if extra is None else as_jsonb(extra), received_at)
        rows.append(astuple(record)[:width] + beside_row)
        days.add(_day(record.at))


def _day(at: datetime) -> date:
    return (at if at.tzinfo is UTC else at.astimezone(UTC)).date()


def _hold(
    batch: Sorted, message: Message, account_id: int | None, device: str | None, reason: str, detail: str, item: bytes
) -> None:
    batch.received[account_id] += 1
    batch.held.append(Held(account_id, device, message.topic, item, reason, detail, message.received_at))


def _refused(message: Message, error: psycopg.Error) -> Sorted:
    """Return a batch that only puts this message into quarantine, for what the database said of it."""
    batch = Sorted()
    told = (error.diag.message_primary or str(error)).replace("\0", " ")
    _hold(batch, message, None, None, "impossible_value", f"the database refuses it: {told}", message.payload)
    return batch


_SQL = queries("ingest", "sql/intake.sql")
