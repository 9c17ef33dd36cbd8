"""What a table of each kind of record looks like: columns, types, limits and words, read off the structs themselves."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

import msgspec
from msgspec import inspect

from ingest.records import Forecast, Name, Unit, Visit
from ingest.wire import Event, Rest, Start

FileKind = Literal["starts", "rests", "events", "units", "visits", "forecasts"]
FILE_KINDS: tuple[FileKind, ...] = get_args(FileKind)
KEEPS_UNKNOWN: tuple[FileKind, ...] = ("starts", "rests", "events")
"""Kinds whose unknown fields are kept as JSON, in the column ``extra``."""

ColumnKind = Literal["number", "whole", "time", "word", "nested"]


class FileStart(Start, frozen=True, kw_only=True):
    """A start in a file: as on the wire, plus the unit."""

    unit: Name


class FileRest(Rest, frozen=True, kw_only=True):
    """A rest in a file: as on the wire, plus the unit."""

    unit: Name


class FileEvent(Event, frozen=True, kw_only=True):
    """An event in a file: as on the wire, plus the unit."""

    unit: Name


class UntoldStart(FileStart, frozen=True, kw_only=True):
    """A start of a power log, whose outcome cannot always be told."""

    def __post_init__(self) -> None:
        """Let a start without an outcome pass."""


RECORDS: dict[FileKind, type[msgspec.Struct]] = {
    "starts": FileStart,
    "rests": FileRest,
    "events": FileEvent,
    "units": Unit,
    "visits": Visit,
    "forecasts": Forecast,
}


@dataclass(frozen=True)
class Column:
    """One column: what it holds, whether every record needs it, and what it may be.

    ``low`` and ``high`` are inclusive limits of a number; ``low_open`` says that ``low`` itself is out.
    ``shortest`` and ``longest`` bound the length of a word; ``words`` lists the only ones allowed, in a list too.
    """

    name: str
    kind: ColumnKind
    required: bool
    low: float | None = None
    high: float | None = None
    low_open: bool = False
    shortest: int = 0
    longest: int | None = None
    words: tuple[str, ...] | None = None


@cache
def columns(kind: FileKind) -> dict[str, Column]:
    """Return the columns of a kind of record in table order, by name: ``unit`` first, then as in the struct."""
    info = inspect.type_info(RECORDS[kind])
    assert isinstance(info, inspect.StructType)
    found = {field.name: _column(field) for field in info.fields if field.name != "wave"}
    if "unit" in found:
        found = {"unit": found["unit"], **found}
    return found


def _column(field: inspect.Field) -> Column:
    kind = _bare(field.type)
    name, required = field.name, field.required
    match kind:
        case inspect.FloatType() | inspect.IntType():
            return Column(
                name,
                "number" if isinstance(kind, inspect.FloatType) else "whole",
                required,
                low=kind.gt if kind.ge is None else kind.ge,
                high=kind.le,
                low_open=kind.gt is not None,
            )
        case inspect.DateTimeType():
            return Column(name, "time", required)
        case inspect.StrType():
            return Column(name, "word", required, shortest=kind.min_length or 0, longest=kind.max_length)
        case inspect.LiteralType():
            return Column(name, "word", required, words=tuple(str(v) for v in kind.values))
        case inspect.ListType(item_type=inspect.LiteralType() as item):
            return Column(name, "nested", required, words=tuple(str(v) for v in item.values))
        case _:
            return Column(name, "nested", required)


def _bare(kind: inspect.Type) -> inspect.Type:
    """Strip descriptions and the alternative of null."""
    while isinstance(kind, inspect.Metadata | inspect.UnionType):
        if isinstance(kind, inspect.Metadata):
            kind = kind.type
        else:
            kind = next(t for t in kind.types if not isinstance(t, inspect.NoneType))
    return kind
