"""What a logger that does not speak our contract publishes, told in a TOML file: topics, fields, units, words, rules.

Reading such a file checks all of it, so that a mapping that loads can only meet bad data. How a payload is turned into
records stands in :mod:`ingest.mapped`; the file is described for its writers in ``WIRE.md``.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeAlias, TypeVar
from zoneinfo import ZoneInfo

import msgspec

from ingest.conversions import Linear, units_of
from ingest.errors import BadInputError
from ingest.wire import KINDS, TOPIC_ROOT, Event, Kind, Rest, Start, Status

Plain = str | int | float | bool
Json: TypeAlias = Any
"""What JSON or TOML gives, before it is judged."""
T = TypeVar("T")
_STRUCTS: dict[Kind, type[msgspec.Struct]] = {"starts": Start, "rests": Rest, "events": Event, "status": Status}
_NEEDED: dict[Kind, tuple[str, ...]] = {
    "starts": ("seq", "at", "outcome"),
    "rests": ("seq", "at", "t_s"),
    "events": ("seq", "at", "event"),
    "status": ("online",),
}
_CLOCKS = ("rfc3339", "unix_s", "unix_ms", "unix_us")


@dataclass(frozen=True)
class Rule:
    """One line of a rule: the word that holds if every condition does."""

    word: str
    source: str | None
    equals: tuple[Plain, ...] | None
    below: float | None
    above: float | None
    missing: bool | None


@dataclass(frozen=True)
class Field:
    """Where one field comes from and how it is converted; ``clock`` is set for times, ``rules`` stand alone."""

    name: str
    sources: tuple[str, ...] = ()
    value: Plain | None = None
    linear: Linear | None = None
    words: Mapping[str, Plain] | None = None
    clock: str | None = None
    zone: ZoneInfo | None = None
    rules: tuple[Rule, ...] = ()


@dataclass(frozen=True)
class Source:
    """One table of a mapping: what stands under a topic or in a file, and the fields that it gives.

    ``pattern`` matches the topics and names the device; it is None for a table that serves files only. ``unit`` is the
    field that names the unit in a file.
    """

    kind: Kind
    form: Literal["json", "csv"]
    topic: str | None
    pattern: re.Pattern[str] | None
    records: str
    columns: tuple[str, ...]
    delimiter: str
    decimal: str
    missing: tuple[Plain, ...]
    unit: Field | None
    fields: tuple[Field, ...]
    extra: tuple[Field, ...]


class _Table(msgspec.Struct, forbid_unknown_fields=True):
    topic: str | None = None
    format: Literal["json", "csv"] = "json"
    records: str = ""
    columns: list[str] = []
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    missing: list[Plain] = []
    unit: Any = None
    fields: dict[str, Any] = {}
    extra: dict[str, Any] = {}


class _Field(msgspec.Struct, forbid_unknown_fields=True, rename={"source": "from", "clock": "as"}):
    source: str | list[str] | None = None
    value: Plain | None = None
    unit: str | None = None
    factor: float | None = None
    offset: float | None = None
    words: dict[str, Plain] | None = None
    clock: str | None = None
    zone: str | None = None


class _Rule(msgspec.Struct, forbid_unknown_fields=True, rename={"word": "is", "source": "from"}):
    word: str
    source: str | None = None
    equals: Plain | list[Plain] | None = None
    below: float | None = None
    above: float | None = None
    missing: bool | None = None


class _Fault(Exception):  # noqa: N818 - never leaves this module
    """Where in the file, as a path of keys, and what is wrong with it."""


def load(path: Path) -> tuple[Source, ...]:
    """Read one mapping, or all ``*.toml`` of a folder.

    Raises
    ------
    BadInputError
        A file cannot be read or used: one line with its path, the line in it and the remedy.
    """
    paths = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    if not paths:
        raise BadInputError(f"{path}: holds no .toml file; name a mapping or a folder of them")
    return tuple(source for one in paths for source in read(one))


def read(path: Path) -> tuple[Source, ...]:
    """Read one mapping; errors as of :func:`load`."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
        raise BadInputError(f"{path}: cannot be read ({reason}); name a mapping in TOML") from None
    try:
        return tuple(_sources(tomllib.loads(text)))
    except tomllib.TOMLDecodeError as error:
        found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", str(error))
        line = found[1] if found and found[1] else str(text.rstrip().count("\n") + 1)
        told = str(error)[: found.start()] if found else str(error)
        raise BadInputError(f"{path}, line {line}: not TOML ({told[:1].lower()}{told[1:]})") from None
    except _Fault as fault:
        where, what = fault.args
        raise BadInputError(
            f"{path}, line {_line(text, where)}: {': '.join(['.'.join(where), what][not where :])}"
        ) from None


def filters(sources: tuple[Source, ...]) -> list[str]:
    """Return the topic filters to subscribe to, each once."""
    named = (source.topic for source in sources if source.topic)
    return list(dict.fromkeys("/".join("+" if "{device}" in x else x for x in topic.split("/")) for topic in named))


def find(sources: tuple[Source, ...], topic: str) -> tuple[Source, str] | None:
    """Return the first table that a topic belongs to, and the device that the topic names."""
    for source in sources:
        if source.pattern and (found := source.pattern.fullmatch(topic)):
            return source, found["device"]
    return None


def _sources(tables: dict[str, Json]) -> Iterator[Source]:
    if not tables:
        raise _Fault((), f"is empty; write a table, one of [{'], ['.join(KINDS)}]")
    for name, given in tables.items():
        kind = next((k for k in _STRUCTS if k == name), None)
        if kind is None:
            raise _Fault((name,), f"no such table; there are {', '.join(KINDS)}")
        many = given if isinstance(given, list) else [given]
        for place, one in enumerate(many):
            where = (name, str(place)) if isinstance(given, list) else (name,)
            yield _source(kind, one, where)


def _source(kind: Kind, given: Json, where: tuple[str, ...]) -> Source:
    table = _converted(given, _Table, where)
    _check_table(kind, table, where)

    def field(name: str, one: Json, part: str) -> Field:
        return _field(table, name, one, (*where, part, name) if part else (*where, name))

    return Source(
        kind=kind,
        form=table.format,
        topic=table.topic,
        pattern=_pattern(table.topic, (*where, "topic")) if table.topic is not None else None,
        records=table.records,
        columns=tuple(table.columns),
        delimiter=table.delimiter,
        decimal=table.decimal,
        missing=tuple(table.missing),
        unit=field("unit", table.unit, "") if table.unit is not None else None,
        fields=tuple(field(name, one, "fields") for name, one in table.fields.items()),
        extra=tuple(field(name, one, "extra") for name, one in table.extra.items()),
    )


def _check_table(kind: Kind, table: _Table, where: tuple[str, ...]) -> None:
    if table.topic is None and table.unit is None:
        raise _Fault(where, "needs topic (with {device}), or unit for files")
    if table.columns and table.format != "csv":
        raise _Fault((*where, "columns"), "goes with format = 'csv'")
    if table.records and table.format != "json":
        raise _Fault((*where, "records"), "goes with format = 'json'")
    if len(table.delimiter) != 1:
        raise _Fault((*where, "delimiter"), "must be one character")
    if table.records:
        _check_source(table.format, table.columns, table.records, (*where, "records"))
    missing = [n for n in _NEEDED[kind] if n not in table.fields]
    if missing:
        raise _Fault((*where, "fields"), f"{missing[0]} is missing; {kind} need it")
    _check_names(kind, table, where)


def _check_names(kind: Kind, table: _Table, where: tuple[str, ...]) -> None:
    known = _STRUCTS[kind].__struct_fields__
    for name in table.fields:
        if name not in known or name == "wave":
            raise _Fault((*where, "fields", name), f"{kind} have no such field; what else is sent goes under extra")
    for name in table.extra:
        if name in known:
            raise _Fault((*where, "extra", name), "is a field of ours; put it under fields")


def _field(table: _Table, name: str, given: Json, where: tuple[str, ...]) -> Field:
    if isinstance(given, list):
        return Field(name, rules=tuple(_rule(table, one, (*where, str(n))) for n, one in enumerate(given)))
    one = _converted({"from": given} if isinstance(given, str) else given, _Field, where)
    if (one.source is None) == (one.value is None):
        raise _Fault(where, "needs either from, where it stands, or value, a constant")
    sources = [one.source] if isinstance(one.source, str) else one.source or []
    for source in sources:
        _check_source(table.format, table.columns, source, where)
    own = name == "at"
    if (one.clock or one.zone) and not own:
        raise _Fault(where, "as and zone go with at, the time")
    if len(sources) > 1 and not own:
        raise _Fault(where, "only the time may come from several places")
    if one.value is not None and own:
        raise _Fault(where, "a time cannot be a constant")
    clock = (one.clock or "rfc3339") if own else None
    if clock and clock not in _CLOCKS and "%" not in clock:
        raise _Fault(where, f"as = '{clock}' is none of {', '.join(_CLOCKS)}, nor a format such as '%d.%m.%Y %H:%M:%S'")
    return Field(name, tuple(sources), one.value, _linear(one, name, where), one.words, clock, _zone(one.zone, where))


def _linear(one: _Field, name: str, where: tuple[str, ...]) -> Linear | None:
    if one.unit is not None:
        if one.factor is not None or one.offset is not None:
            raise _Fault(where, "give either unit, or factor and offset")
        units = units_of(name)
        if one.unit not in units:
            there = f"there are {', '.join(units)}" if units else f"{name} is no quantity"
            raise _Fault(where, f"unit = '{one.unit}' is not known here; {there}")
        return units[one.unit]
    if one.factor is None and one.offset is None:
        return None
    if one.words:
        raise _Fault(where, "words do not go with factor and offset")
    return 1.0 if one.factor is None else one.factor, one.offset or 0.0


def _rule(table: _Table, given: Json, where: tuple[str, ...]) -> Rule:
    one = _converted(given, _Rule, where)
    conditions = [c for c in (one.equals, one.below, one.above, one.missing) if c is not None]
    if bool(conditions) != (one.source is not None):
        raise _Fault(where, "from and a condition (equals, below, above, missing) go together")
    if one.source is not None:
        _check_source(table.format, table.columns, one.source, where)
    equals = None if one.equals is None else tuple(one.equals) if isinstance(one.equals, list) else (one.equals,)
    return Rule(one.word, one.source, equals, one.below, one.above, one.missing)


def _zone(name: str | None, where: tuple[str, ...]) -> ZoneInfo | None:
    try:
        return ZoneInfo(name) if name else None
    except (OSError, ValueError, KeyError):
        raise _Fault(where, f"zone = '{name}' is no time zone such as America/Denver") from None


def _check_source(form: str, columns: list[str], source: str, where: tuple[str, ...]) -> None:
    if form == "json" and source and (not source.startswith("/") or re.search(r"~(?![01])", source)):
        raise _Fault(where, f"'{source}' is no JSON pointer (RFC 6901) such as /data/ms")
    if form == "csv" and columns and source not in columns:
        raise _Fault(where, f"'{source}' is none of the columns")


def _pattern(topic: str, where: tuple[str, ...]) -> re.Pattern[str]:
    levels = topic.split("/")
    if topic.count("{device}") != 1:
        raise _Fault(where, "must hold {device} once, where the topic names the device")
    if topic.startswith(f"{TOPIC_ROOT.split('/')[0]}/"):
        raise _Fault(where, "is a topic of the contract's own; no mapping is needed there")
    if any("#" in level and (level != "#" or level is not levels[-1]) for level in levels):
        raise _Fault(where, "# may stand only alone at the end")
    if any("+" in level and level != "+" for level in levels) or topic.startswith("$"):
        raise _Fault(where, "+ may stand only alone between slashes, and $ not at the beginning")
    told = {"+": "[^/]+", "#": ".*"}
    made = (told.get(x) or re.escape(x).replace(re.escape("{device}"), "(?P<device>[^/]+)") for x in levels)
    return re.compile("/".join(made))


def _converted(given: Json, wanted: type[T], where: tuple[str, ...]) -> T:
    try:
        return msgspec.convert(given, wanted)
    except msgspec.ValidationError as error:
        text, _, inner = str(error).partition(" - at `$")
        keys = tuple(re.findall(r"\w+", inner))
        raise _Fault((*where, *keys), text.replace("Object contains", "has an")) from None


def _line(text: str, where: tuple[str, ...]) -> int:
    """Return the line of the longest beginning of a path of keys that the text holds."""
    lines: dict[tuple[str, ...], int] = {(): 1}
    arrays: Counter[str] = Counter()
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        if found := re.match(r"\s*(\[\[?)\s*([\w.\"'-]+)\s*\]", line):
            table = _keys(found[2])
            if found[1] == "[[":
                arrays[table[0]] += 1
            if table[0] in arrays:
                table = (table[0], str(arrays[table[0]] - 1), *table[1:])
            lines.setdefault(table, number)
        elif found := re.match(r"\s*([\w.\"'-]+)\s*=", line):
            lines.setdefault((*table, *_keys(found[1])), number)
    while where not in lines:
        where = where[:-1]
    return lines[where]


def _keys(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in dotted.split("."))
