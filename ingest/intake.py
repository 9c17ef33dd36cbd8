"""From messages to rows: whose device it is, what it says, and all of a batch in one transaction.

The same path serves the subscriber and the quarantine: what is put through again is judged as if it had just come.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple, cast

import psycopg
from msgspec.structs import astuple

from ingest import held as quarantine
from ingest import mapped, mapping
from ingest.database import forget_days
from ingest.decode import decode
from ingest.held import Held
from ingest.named_sql import queries
from ingest.skew import LEAST_OFF_S
from ingest.store import clocks, sequence, verdicts, waves
from ingest.store.clocks import Doubtful
from ingest.store.jsonb import as_jsonb
from ingest.store.series import EVENTS, RESTS, STARTS, Row, Series, merge, prepare
from ingest.store.waves import Waved
from ingest.wire import KINDS, TOPIC_ROOT, Kind

_LEAD = timedelta(seconds=clocks.LEAD_S)
_SERIES: dict[Kind, Series] = {"starts": STARTS, "rests": RESTS, "events": EVENTS}
_FAILED: tuple[tuple[Kind, str, str], ...] = (("starts", "outcome", "locked"), ("events", "event", "lockout"))


class Message(NamedTuple):
    """A message as it came; ``retained`` says that the broker kept it and it may be old."""

    topic: str
    payload: bytes
    received_at: datetime
    retained: bool = False


@dataclass(frozen=True)
class Sorted:
    """What a batch comes to: rows by series, statuses, what goes into quarantine, and records by account.

    ``numbers`` are those that came, by device and kind. ``doubtful`` are records whose clock is certainly off,
    ``differences`` and ``leads`` what records say of clocks: see :func:`ingest.store.clocks.note`.
    """

    rows: dict[Kind, list[Row]] = field(default_factory=lambda: {"starts": [], "rests": [], "events": []})
    statuses: list[dict[str, Any]] = field(default_factory=list)
    held: list[Held] = field(default_factory=list)
    days: dict[Kind, set[date]] = field(default_factory=lambda: {"starts": set(), "rests": set(), "events": set()})
    received: Counter[int | None] = field(default_factory=Counter)
    numbers: dict[tuple[str, str], tuple[int, list[int]]] = field(default_factory=dict)
    doubtful: dict[Kind, list[Doubtful]] = field(default_factory=dict)
    differences: dict[str, tuple[int, int, float]] = field(default_factory=dict)
    leads: dict[str, tuple[int, float, datetime]] = field(default_factory=dict)
    sampled: list[Waved] = field(default_factory=list)


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


class _Device(NamedTuple):
    """Whose a device is, how far its clock is certainly off, and how far its last status was."""

    device: str
    account_id: int
    unit_id: int
    offset_s: float | None
    last_offset_s: float | None


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
    known = {row[0]: _Device(*row) for row in connection.execute(_SQL["devices"], (names,))}
    batch = Sorted()
    for message, place in zip(messages, places, strict=True):
        if place is None:
            detail = f"expected {TOPIC_ROOT}/DEVICE/{'|'.join(KINDS)}"
            _hold(batch, message, None, None, "bad_topic", detail, message.payload)
        elif place.device not in known:
            detail = f"device: {place.device!r} is not registered; add it with 'halfsecond device add', then replay"
            _hold(batch, message, None, place.device, "unknown_device", detail, message.payload)
        else:
            _add(batch, message, place, known[place.device])
    for kind, records in batch.doubtful.items():
        for row in clocks.put_right(connection, _SERIES[kind], records):
            batch.rows[kind].append(row)
            batch.days[kind].add(_day(row[1]))
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
        sequence.note(connection, batch.numbers)
        timed = [s for s in batch.statuses if s["at"] is not None and not s["retained"]]
        if timed or batch.differences or batch.leads:
            clocks.note(connection, timed, batch.differences, batch.leads)
        if batch.sampled:
            waves.keep(connection, batch.sampled, batch.rows["starts"])
        quarantine.put(connection, batch.held)
        verdicts.tell_failed(connection, _failed(batch.rows))
    for held in batch.held:
        tallies[held.account_id].quarantined += 1
    return tallies


def _failed(rows: dict[Kind, list[Row]]) -> set[tuple[int, int]]:
    """Return account and unit of locked starts, and of lockouts that a control tells of: they are looked at at once."""
    found = set()
    for kind, name, word in _FAILED:
        fields = _SERIES[kind].fields
        place, width = fields.index(name), len(fields)
        found |= {(row[width], row[width + 1]) for row in rows[kind] if row[place] == word}
    return found


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


def _add(batch: Sorted, message: Message, place: _Place, owner: _Device) -> None:
    device, kind, source = place
    _, account_id, unit_id, offset_s, last_offset_s = owner
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
    numbers = batch.numbers.setdefault((device, kind), (account_id, []))[1]
    numbers += [number for item in bad if (number := _number(item.payload)) is not None]
    for record, extra in good:
        numbers.append(record.seq)
        if offset_s is not None:
            doubtful = Doubtful(astuple(record)[:width], account_id, unit_id, extra, received_at, offset_s)
            batch.doubtful.setdefault(kind, []).append(doubtful)
            continue
        beside_row = (account_id, unit_id, None if extra is None else as_jsonb(extra), received_at)
        rows.append(astuple(record)[:width] + beside_row)
        days.add(_day(record.at))
    if kind == "starts" and b'"wave"' in message.payload:
        batch.sampled.extend(waves.found(message.payload, unit_id, (record.seq for record, _ in good)))
    if good and not message.retained:  # else kept by the broker, or put through again: it did not come when it says
        newest = good[0].record.at if len(good) == 1 else max(record.at for record, _ in good)
        suspect = last_offset_s is not None and abs(last_offset_s) >= LEAST_OFF_S
        if suspect or newest > received_at + _LEAD:
            _look_at_clock(batch, message, owner, newest, len(good), suspect=suspect)


def _look_at_clock(
    batch: Sorted, message: Message, owner: _Device, newest: datetime, records: int, *, suspect: bool
) -> None:
    """Note what a message's records say of their clock: that it is ahead, and if it is suspect how far it is off."""
    least_s = (message.received_at - newest).total_seconds()
    if suspect:
        _, count, before_s = batch.differences.get(owner.device, (owner.account_id, 0, least_s))
        batch.differences[owner.device] = (owner.account_id, count + records, min(before_s, least_s))
    if least_s < -clocks.LEAD_S:
        lead = batch.leads.get(owner.device)
        if lead is None or -least_s > lead[1]:
            batch.leads[owner.device] = (owner.account_id, -least_s, message.received_at)


def _number(payload: bytes) -> int | None:
    """Return the number of a record that goes into quarantine, where it can be read: it has come all the same."""
    try:
        raw = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    number = raw.get("seq") if isinstance(raw, dict) else None
    return number if type(number) is int and 0 <= number < 2**63 else None


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
