"""From messages to what a batch comes to: whose device each is, what it says, and what cannot be used.

Nothing is written here; :mod:`ingest.intake` does that.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple, cast

import psycopg
from msgspec.structs import astuple

from ingest import mapping
from ingest.decode import Good, decode, plain
from ingest.held import Held
from ingest.named_sql import queries
from ingest.skew import LEAST_OFF_S
from ingest.store import clocks, waves
from ingest.store.clocks import Doubtful
from ingest.store.jsonb import as_jsonb
from ingest.store.series import EVENTS, RESTS, STARTS, Row, Series
from ingest.store.waves import Waved
from ingest.wire import KINDS, TOPIC_ROOT, Kind

_LEAD = timedelta(seconds=clocks.LEAD_S)
_SEQ, _AT = STARTS.fields.index("seq"), STARTS.fields.index("at")
SERIES: dict[Kind, Series] = {"starts": STARTS, "rests": RESTS, "events": EVENTS}


Mappings = tuple[mapping.Source, ...]


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
    received: Counter[int | None] = field(default_factory=Counter)
    numbers: dict[tuple[str, str], tuple[int, list[int]]] = field(default_factory=dict)
    doubtful: dict[Kind, list[Doubtful]] = field(default_factory=dict)
    differences: dict[str, tuple[int, int, float]] = field(default_factory=dict)
    leads: dict[str, tuple[int, float, datetime]] = field(default_factory=dict)
    sampled: list[Waved] = field(default_factory=list)


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


def sort(connection: psycopg.Connection, messages: Sequence[Message], mappings: Mappings = ()) -> Sorted:
    """Tell of each message whose it is and what it says; nothing is written."""
    places = [_place(message.topic, mappings) for message in messages]
    names = list({place.device for place in places if place is not None})
    known = {row[0]: _Device(*row) for row in connection.execute(_SQL["devices"], (names,))}
    batch = Sorted()
    for message, place in zip(messages, places, strict=True):
        if place is None:
            detail = f"expected {TOPIC_ROOT}/DEVICE/{'|'.join(KINDS)}"
            hold(batch, message, None, None, "bad_topic", detail, message.payload)
        elif place.device not in known:
            detail = f"device: {place.device!r} is not registered; add it with 'halfsecond device add', then replay"
            hold(batch, message, None, place.device, "unknown_device", detail, message.payload)
        else:
            _add(batch, message, place, known[place.device])
    for kind, records in batch.doubtful.items():
        batch.rows[kind].extend(clocks.put_right(connection, SERIES[kind], records))
    return batch


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
    if kind == "starts" and source is None and owner.offset_s is None:
        found = plain(message.payload, message.received_at)
        if found is not None:
            _add_plain(batch, message, owner, found)
            return
    if source is None:
        good, bad = decode(kind, message.payload, message.received_at)
    else:
        from ingest import mapped  # noqa: PLC0415 - few have such loggers, and it loads for a second or two

        good, bad = mapped.decoded(source, message.payload, message.received_at)
    for item in bad:
        hold(batch, message, owner.account_id, device, item.reason, item.detail, item.payload)
    batch.received[owner.account_id] += len(good)
    if kind == "status":
        for record, _ in good:
            values = {name: getattr(record, name) for name in record.__struct_fields__}
            beside = {"device": device, "account_id": owner.account_id, "received_at": message.received_at}
            batch.statuses.append(values | beside | {"retained": message.retained})
        return
    numbers = _numbers(batch, owner, kind)
    numbers += [number for item in bad if (number := _number(item.payload)) is not None]
    numbers += [record.seq for record, _ in good]
    _add_records(batch, message, owner, kind, good)
    if kind == "starts" and good and b'"wave"' in message.payload:
        batch.sampled.extend(waves.found(message.payload, owner.unit_id, (record.seq for record, _ in good)))
    if good:
        _look_at_clock(batch, message, owner, max(record.at for record, _ in good), len(good))


def _add_plain(batch: Sorted, message: Message, owner: _Device, starts: Sequence[Row]) -> None:
    """Add starts of which nothing is left to look at, by the values of their fields."""
    batch.received[owner.account_id] += len(starts)
    beside = (owner.account_id, owner.unit_id, None, message.received_at)
    batch.rows["starts"] += [values + beside for values in starts]
    numbers = _numbers(batch, owner, "starts")
    numbers += [values[_SEQ] for values in starts]
    _look_at_clock(batch, message, owner, max([values[_AT] for values in starts]), len(starts))


def _add_records(batch: Sorted, message: Message, owner: _Device, kind: Kind, good: Sequence[Good]) -> None:
    """Add records one by one; those whose clock is certainly off are put right later."""
    account_id, unit_id, received_at = owner.account_id, owner.unit_id, message.received_at
    width = len(SERIES[kind].fields)
    for record, extra in good:
        values = astuple(record)[:width]
        if owner.offset_s is not None:
            doubtful = Doubtful(values, account_id, unit_id, extra, received_at, owner.offset_s)
            batch.doubtful.setdefault(kind, []).append(doubtful)
        else:
            beside = (account_id, unit_id, None if extra is None else as_jsonb(extra), received_at)
            batch.rows[kind].append(values + beside)


def _numbers(batch: Sorted, owner: _Device, kind: Kind) -> list[int]:
    return batch.numbers.setdefault((owner.device, kind), (owner.account_id, []))[1]


def _look_at_clock(batch: Sorted, message: Message, owner: _Device, newest: datetime, records: int) -> None:
    """Note what a message's records say of their clock: that it is ahead, and if it is suspect how far it is off."""
    if message.retained:  # kept by the broker, or put through again: it did not come when it says
        return
    suspect = owner.last_offset_s is not None and abs(owner.last_offset_s) >= LEAST_OFF_S
    if not suspect and newest <= message.received_at + _LEAD:
        return
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


def hold(
    batch: Sorted, message: Message, account_id: int | None, device: str | None, reason: str, detail: str, item: bytes
) -> None:
    """Put an item of a message into quarantine when the batch is written, with its reason."""
    batch.received[account_id] += 1
    batch.held.append(Held(account_id, device, message.topic, item, reason, detail, message.received_at))


_SQL = queries("ingest", "sql/intake.sql")
