"""From the payload of a message to records, each checked once: the good ones, and the bad ones with a reason.

What comes over the wire may be anything at all, so nothing here raises for it. The usual payload, all good and without
unknown fields, is decoded in one go; only where that fails are its items looked at one by one, so that one bad item
never loses the others.
"""

from __future__ import annotations

import json
from datetime import datetime
from types import GenericAlias
from typing import Any, Literal, NamedTuple

import msgspec
from msgspec.structs import astuple, fields

from ingest.clock import allowed
from ingest.complaint import complaint
from ingest.wave import complete
from ingest.wire import MAX_ITEMS, START_FIELDS, At, Event, Kind, Outcome, Rest, Seq, Start, Status

Reason = Literal[
    "bad_json",
    "missing_field",
    "impossible_value",
    "too_many",
    "unknown_device",
    "clock_out_of_range",
    "bad_topic",
    "bad_wave",
    "bad_mapping",
    "key_taken",
]


class Good(NamedTuple):
    """A record, and what else its object carried, as JSON."""

    record: Any
    extra: bytes | None


class Bad(NamedTuple):
    """What could not be used: the reason, one line that names the field, and the item as it came."""

    reason: Reason
    detail: str
    payload: bytes


_LOOSE: dict[Kind, type[Any]] = {"starts": Start, "rests": Rest, "events": Event, "status": Status}
_FIELDS = {kind: frozenset(struct.__struct_fields__) for kind, struct in _LOOSE.items()}
# A start as most are: without a wave and without unknown fields. It holds nothing that could hold itself, so that the
# search for such can leave it out.
_PLAIN = msgspec.defstruct(
    "PlainStart",
    [("seq", Seq), ("at", At), ("outcome", Outcome)]
    + [(one.name, one.type, None) for one in fields(Start) if one.name in START_FIELDS[3:]],
    frozen=True,
    forbid_unknown_fields=True,
    gc=False,
)
_WHOLE: msgspec.json.Decoder[Any] = msgspec.json.Decoder(_PLAIN | GenericAlias(list, _PLAIN))
_MODE = START_FIELDS.index("mode")
_WORDS = 2
"""Words that every start has: its time and its outcome."""
_ITEM: dict[Kind, msgspec.json.Decoder[Any]] = {k: msgspec.json.Decoder(s) for k, s in _LOOSE.items()}
_ITEMS = msgspec.json.Decoder(list[msgspec.Raw])
# RecursionError is what nesting without end gives; the rest are ValueErrors.
_UNUSABLE = (ValueError, RecursionError)
_ESCAPED_NUL = "\\u0000"


def decode(kind: Kind, payload: bytes, received_at: datetime) -> tuple[list[Good], list[Bad]]:
    """Turn a payload into records; waves come back reduced to figures.

    Parameters
    ----------
    kind
        What the topic says that the payload is.
    payload
        One JSON object, or an array of up to 500.
    received_at
        When it came: a time before 2000 or more than a day after this is out of range.

    Returns
    -------
    tuple
        The good records and the bad items, each in the order of the payload. It never raises for what a payload holds.
    """
    values = plain(payload, received_at) if kind == "starts" else None
    if values is None:
        return _item_by_item(kind, payload, received_at)
    return [Good(Start(**dict(zip(START_FIELDS, each, strict=True))), None) for each in values], []


def plain(payload: bytes, received_at: datetime) -> list[tuple[Any, ...]] | None:
    """Return the values of a payload's starts where nothing is left to look at: the usual case, decoded in one go.

    Returns
    -------
    list of tuple
        Of each start the values of ``START_FIELDS``. None where a start is not right, a field is unknown, a name stands
        twice in an object, there is a wave, or a time is out of range.
    """
    try:
        decoded = _WHOLE.decode(payload)
    except _UNUSABLE:
        return None
    values = list(map(astuple, decoded if isinstance(decoded, list) else (decoded,)))
    if not 0 < len(values) <= MAX_ITEMS:
        return None
    times = [each[1] for each in values]
    earliest, latest = allowed(received_at)
    if min(times) < earliest or max(times) > latest:
        return None
    given = len(START_FIELDS) * len(values) - sum([each.count(None) for each in values])
    words = _WORDS * len(values) + sum([each[_MODE] is not None for each in values])
    # Every name and every word stands in two quotes, and none of the values allowed here can hold a quote or "null":
    # more quotes than the fields that came out, and the nulls, account for mean a name that stands twice.
    more = payload.count(b'"') - 2 * (given + words)
    return values if more == 0 or more == 2 * payload.count(b"null") else None


def _item_by_item(kind: Kind, payload: bytes, received_at: datetime) -> tuple[list[Good], list[Bad]]:
    items: list[Any] = [payload]
    if payload.lstrip(b" \t\r\n")[:1] == b"[":
        try:
            items = _ITEMS.decode(payload)
        except _UNUSABLE as error:
            return [], [Bad("bad_json", one_line(f"not JSON: {_told(error)}"), payload)]
        if len(items) > MAX_ITEMS:
            return [], [_too_many(payload, len(items))]
    good: list[Good] = []
    bad: list[Bad] = []
    for item in items:
        read = _item(kind, bytes(item), received_at)
        (good if isinstance(read, Good) else bad).append(read)  # type: ignore[arg-type]
    return good, bad


class _Unfit(Exception):  # noqa: N818 - never leaves this module
    """Why an item cannot be used: reason and detail."""


def _item(kind: Kind, item: bytes, received_at: datetime) -> Good | Bad:
    try:
        raw = _object(item)
        record = _record(kind, item, raw)
        if kind != "status":
            _check_clock(record.at, received_at)
        return Good(_reduced(record), _extra(kind, raw))
    except _Unfit as unfit:
        reason, detail = unfit.args
        return Bad(reason, one_line(detail), item)


def _object(item: bytes) -> dict[str, Any]:
    """Read an item without types, strictly: no name twice, no NaN."""
    if not item.strip():
        raise _Unfit("bad_json", "the payload is empty")
    try:
        raw = json.loads(item.decode(), object_pairs_hook=_unlike, parse_constant=_no_constant)
    except _UNUSABLE as error:
        raise _Unfit("bad_json", f"not JSON: {_told(error)}") from None
    if not isinstance(raw, dict):
        shown = item[:40].decode(errors="replace")
        raise _Unfit("bad_json", f"must be an object or an array of objects, not {shown!r}")
    return raw


def _record(kind: Kind, item: bytes, raw: dict[str, Any]) -> Any:  # noqa: ANN401 - one of four structs
    try:
        record = _ITEM[kind].decode(item)
    except msgspec.ValidationError as error:
        field, text = complaint(error, raw)
        reason: Reason = "impossible_value"
        if text.startswith("missing") or text == "needed where there is no wave":
            reason = "missing_field"
        elif field.startswith("wave."):
            reason = "bad_wave"
        raise _Unfit(reason, f"{field}: {text}" if field else text) from None
    except _UNUSABLE as error:
        raise _Unfit("bad_json", f"not JSON: {_told(error)}") from None
    for name in ("detail", "firmware"):
        if "\0" in (getattr(record, name, None) or ""):
            raise _Unfit("impossible_value", f"{name}: a NUL character cannot be kept")
    return record


def _check_clock(at: datetime, received_at: datetime) -> None:
    earliest, latest = allowed(received_at)
    if not earliest <= at <= latest:
        told = "before 2000" if at < earliest else "more than a day after it was received"
        raise _Unfit("clock_out_of_range", f"at: {at.isoformat()} is {told}; mend the device's clock")


def _reduced(record: Any) -> Any:  # noqa: ANN401 - one of four structs
    if getattr(record, "wave", None) is None:
        return record
    try:
        return complete(record)
    except _UNUSABLE as error:
        raise _Unfit("bad_wave", _told(error)) from None


def _extra(kind: Kind, raw: dict[str, Any]) -> bytes | None:
    """Return the unknown fields as JSON that the database can keep, or None."""
    unknown = {name: value for name, value in raw.items() if name not in _FIELDS[kind]}
    if not unknown:
        return None
    try:
        text = json.dumps(unknown, allow_nan=False, ensure_ascii=False)
        kept = text.encode()
    except _UNUSABLE as error:
        raise _Unfit("impossible_value", f"unknown field: {_told(error)}") from None
    if _ESCAPED_NUL in text:
        raise _Unfit("impossible_value", "unknown field: a NUL character cannot be kept")
    return kept


def _unlike(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in made if names.count(name) > 1)
        raise ValueError(f"{twice[:40]!r} stands twice in one object")
    return made


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number in JSON; send null or leave the field out")


def _too_many(payload: bytes, count: int) -> Bad:
    return Bad("too_many", f"{count} objects in one payload; send at most {MAX_ITEMS}", payload)


def _told(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "nested too deeply"
    if isinstance(error, UnicodeDecodeError):
        return "not UTF-8"
    if "integer string conversion" in str(error):
        return "a number of thousands of digits"
    if isinstance(error, UnicodeEncodeError):
        return "half a surrogate pair cannot be kept"
    return str(error) or type(error).__name__


def one_line(text: str) -> str:
    """Return a detail of bounded length, without what a database cannot keep."""
    return " ".join(text.replace("\0", " ").encode(errors="replace").decode().split())[:300]
