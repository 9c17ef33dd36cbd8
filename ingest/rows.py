"""One record of a file at a time, as carefully as can be: what the fast readers hand over when they are not sure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

from ingest.complaint import Rejected, complaint
from ingest.shapes import KEEPS_UNKNOWN, RECORDS, Column, FileKind, FileStart, UntoldStart, columns

FIRST_YEAR, LAST_YEAR = 2000, 2100
"""Years that a time in a file may fall in; what stands outside is a logger's unset clock."""

_FROM = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)
_UNTIL = datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC)
_NUL = re.compile(rb"(?<!\\)(?:\\\\)*\\u0000")
POWER_LOG = "power_log"
"""The ``source`` of a start that may lack an outcome: a power log cannot always tell."""


@dataclass(frozen=True)
class Good:
    """A record that can be used, and its unknown fields as a JSON object in text."""

    record: msgspec.Struct
    extra: str | None


def from_line(kind: FileKind, line: bytes, path: str, number: int) -> Good | Rejected:
    """Read one line of NDJSON.

    Parameters
    ----------
    kind
        What the record is.
    line
        One JSON object.
    path, number
        Where it stands, for the message.
    """
    try:
        raw = msgspec.json.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return Rejected(path, number, *complaint(error))
    if not isinstance(raw, dict):
        return Rejected(path, number, "", "must be one JSON object a line")
    return from_mapping(kind, raw, path, number, strict=True)


def from_mapping(kind: FileKind, raw: Mapping[str, Any], path: str, number: int, *, strict: bool) -> Good | Rejected:
    """Read one record from its fields by name; without ``strict``, numbers may be text as in a CSV cell."""
    known = columns(kind)
    unknown = {k: v for k, v in raw.items() if k not in known and k != "wave"}
    wanted: type[msgspec.Struct] = RECORDS[kind]
    if kind == "starts" and unknown.get("source") == POWER_LOG and raw.get("wave") is None:
        wanted = UntoldStart
    for column in known.values():
        if column.kind == "time" and isinstance(raw.get(column.name), int | float):
            return Rejected(path, number, column.name, "must be RFC 3339 text, such as 2031-01-14T12:00:00Z")
    if _NUL.search(msgspec.json.encode(raw)):
        return Rejected(path, number, "", "holds a NUL character, which no table can; leave it out")
    try:
        record = msgspec.convert(raw, wanted, strict=strict)
        record = _reduced(record)
    except (msgspec.ValidationError, ValueError, OverflowError) as error:
        field, text = complaint(error, raw)
        return Rejected(path, number, field, text + _words(known.get(field.split("[")[0])))
    for column in known.values():
        if column.kind == "time" and not in_range(getattr(record, column.name)):
            return Rejected(path, number, column.name, f"must be in the years {FIRST_YEAR} to {LAST_YEAR}")
    keep = unknown and kind in KEEPS_UNKNOWN
    return Good(record, msgspec.json.encode(unknown).decode() if keep else None)


def in_range(at: datetime) -> bool:
    """Say whether a time can be of a logger whose clock was set."""
    return _FROM <= at < _UNTIL


def _reduced(record: msgspec.Struct) -> msgspec.Struct:
    """Replace a start's wave by the figures that it gives."""
    if not isinstance(record, FileStart) or record.wave is None:
        return record
    from ingest.wave import complete  # noqa: PLC0415  only files with waves need the numerics

    return FileStart(**msgspec.structs.asdict(complete(record)) | {"unit": record.unit})


def _words(column: Column | None) -> str:
    return f" (one of {', '.join(column.words)})" if column is not None and column.words else ""
