"""Turning what another logger sends into records of the contract, as its mapping says.

The records come out as plain objects, to be judged like any other by :mod:`ingest.decode` or :mod:`ingest.rows`: a
mapping can put a value into the wrong field, but never an impossible one into a table.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import IO, NamedTuple

import msgspec
import pandas as pd

from ingest import frames, keys, rows
from ingest.complaint import Rejected
from ingest.decode import Bad, Good, Reason, decode, one_line
from ingest.errors import BadInputError
from ingest.mapping import Field, Json, Rule, Source
from ingest.shapes import FileKind
from ingest.wire import MAX_ITEMS

BATCH = 20_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_PER_S = {"unix_s": 1, "unix_ms": 1_000, "unix_us": 1_000_000}
_WHOLE = {"seq", "stage", "retry", "sent"}


class Mapped(NamedTuple):
    """One record: its number in the payload or its line in the file, from 1; the object, or why there is none."""

    number: int
    record: dict[str, Json] | None
    fault: str


def decoded(source: Source, payload: bytes, received_at: datetime) -> tuple[list[Good], list[Bad]]:
    """Turn another logger's payload into records, as :func:`ingest.decode.decode` does one of the contract.

    Where a record of it cannot be used the others are returned all the same, and one :class:`ingest.decode.Bad` holds
    the payload whole: put through again with a mended mapping, those that were stored fall on their key.
    """
    try:
        found = from_payload(source, payload)
    except (ValueError, RecursionError) as error:
        return [], [Bad("bad_mapping", one_line(_told(error)), payload)]
    if len(found) > MAX_ITEMS:
        return [], [Bad("too_many", f"{len(found)} records in one payload; send at most {MAX_ITEMS}", payload)]
    good: list[Good] = []
    faults: list[tuple[Reason, str]] = []
    for number, record, fault in found:
        if record is None:
            faults.append(("bad_mapping", f"record {number}: {fault}"))
            continue
        fine, bad = decode(source.kind, msgspec.json.encode(record), received_at)
        good += fine
        faults += [(item.reason, f"record {number}: {item.detail}") for item in bad]
    if not faults:
        return good, []
    reason, detail = faults[0]
    more = f" (and {len(faults) - 1} more of {len(found)} records)" if len(faults) > 1 else ""
    return good, [Bad(reason, one_line(detail)[:250] + more, payload)]


def from_payload(source: Source, payload: bytes) -> list[Mapped]:
    """Return the records of a payload.

    Parameters
    ----------
    source
        The table that the topic belongs to.
    payload
        As it came.

    Raises
    ------
    ValueError
        The payload as a whole is not what the mapping says: the text says why.
    """
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("not UTF-8") from None
    if source.form == "csv":
        return list(_from_csv(source, io.StringIO(text, newline="")))
    return [_one(source, item, n) for n, item in enumerate(_items(source, _parsed(text)), 1)]


def from_file(source: Source, stream: IO[bytes], path: str) -> Iterator[Mapped]:
    """Yield the records of a file: CSV, or JSON as one document or as one a line.

    Raises
    ------
    BadInputError
        The file as a whole cannot be read.
    """
    text = io.TextIOWrapper(stream, "utf-8-sig", newline="")
    try:
        if source.form == "csv":
            yield from _from_csv(source, text)
        else:
            yield from _from_json(source, text)
    except UnicodeDecodeError:
        raise BadInputError(f"{path}: not UTF-8; save it so") from None
    except (ValueError, RecursionError) as error:
        raise BadInputError(f"{path}: {_told(error)}") from None
    finally:
        text.detach()  # the stream is the caller's to close


def batches(
    source: Source, kind: FileKind, stream: IO[bytes], path: str, skip: int = 0
) -> Iterator[tuple[pd.DataFrame, list[Rejected]]]:
    """Yield the records of a file some ten thousand at a time as a table, with those that cannot be used.

    The first ``skip`` of them come empty.
    """
    found = from_file(source, stream, path)
    while some := list(islice(found, BATCH)):
        if skip > 0:
            skip -= 1
            yield frames.empty(kind), []
            continue
        good: list[rows.Good] = []
        places: list[int] = []
        bad: list[Rejected] = []
        for number, record, fault in some:
            if record is None:
                field, _, text = fault.partition(": ")
                bad.append(Rejected(path, number, field, text) if text else Rejected(path, number, "", field))
                continue
            read = rows.from_mapping(kind, record, path, number, strict=True)
            if isinstance(read, Rejected):
                bad.append(read)
            else:
                good.append(read)
                places.append(number)
        table = frames.from_records(kind, [g.record for g in good], [g.extra for g in good])
        yield keys.at_lines(table, places), bad


def _from_json(source: Source, text: IO[str]) -> Iterator[Mapped]:
    """Take a file as lines of JSON where its first of several lines is whole, else as one document."""
    line, following = text.readline(), text.readline()
    try:
        lines = bool(following.strip()) and json.loads(line) is not None
    except ValueError:
        lines = False
    if not lines:
        items = _items(source, _parsed(line + following + text.read()))
        yield from (_one(source, item, n) for n, item in enumerate(items, 1))
        return
    number = 1
    while line:
        if line.strip():
            try:
                yield from (_one(source, item, number) for item in _items(source, _parsed(line)))
            except (ValueError, RecursionError) as error:
                yield Mapped(number, None, _told(error))
        line, following, number = following, text.readline(), number + 1


def _from_csv(source: Source, text: IO[str]) -> Iterator[Mapped]:
    rows = csv.reader(text, delimiter=source.delimiter)
    try:
        names = list(source.columns) or [name.strip() for name in next(rows, [])]
        wanted = {s for f in (*source.fields, *source.extra) for s in _sources_of(f)}
        lacking = sorted(wanted - set(names))
        if lacking:
            raise ValueError(f"the header has no column '{lacking[0]}'; there are: {', '.join(names[:12])}")
        for row in rows:
            if not row or all(not cell.strip() for cell in row):
                continue
            if len(row) != len(names):
                yield Mapped(rows.line_num, None, f"{len(row)} cells where there are {len(names)} columns")
            else:
                yield _one(source, dict(zip(names, (cell.strip() for cell in row), strict=True)), rows.line_num)
    except csv.Error as error:
        raise ValueError(f"not CSV ({error})") from None


def _sources_of(field: Field) -> Iterator[str]:
    yield from field.sources
    yield from (rule.source for rule in field.rules if rule.source is not None)


def _parsed(text: str) -> Json:
    try:
        whole = json.loads(text)
        if "\\ud" in text.lower():
            json.dumps(whole, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise ValueError("half a surrogate pair, which cannot be kept") from None
    except (ValueError, RecursionError) as error:
        raise ValueError(f"not JSON ({_told(error)})") from None
    return whole


def _items(source: Source, whole: Json) -> list[Json]:
    found = pointed(whole, source.records)
    if found is None:
        raise ValueError(f"nothing stands at {source.records or 'the top'}")
    return found if isinstance(found, list) else [found]


def pointed(whole: Json, pointer: str) -> Json:
    """Return what a JSON pointer leads to, None where it leads nowhere.

    References
    ----------
    .. [1] RFC 6901, JavaScript Object Notation (JSON) Pointer, sections 3 and 4.
    """
    value = whole
    for step in pointer.split("/")[1:]:
        if isinstance(value, dict):
            value = value.get(step.replace("~1", "/").replace("~0", "~"))
        elif isinstance(value, list) and step.isascii() and step.isdigit() and (step == "0" or step[0] != "0"):
            value = value[int(step)] if len(step) < 10 and int(step) < len(value) else None
        else:
            return None
    return value


def _one(source: Source, item: Json, number: int) -> Mapped:
    record: dict[str, Json] = {}
    try:
        for field in (*source.fields, *source.extra, *([source.unit] if source.unit else ())):
            try:
                value = _value(source, field, item)
            except (ValueError, OverflowError) as error:
                raise ValueError(f"{field.name}: {_told(error)}") from None
            if value is not None:
                record[field.name] = value
    except ValueError as error:
        return Mapped(number, None, str(error))
    return Mapped(number, record, "")


def _value(source: Source, field: Field, item: Json) -> Json:
    if field.rules:
        return next((rule.word for rule in field.rules if _holds(source, rule, item)), None)
    if field.value is not None:
        return field.value
    raw = [_raw(source, item, place) for place in field.sources]
    if any(value is None for value in raw):
        return None
    if field.clock:
        return _time(field, raw)
    if field.words is not None:
        return _word(field, raw[0])
    return _figure(source, field, raw[0])


def _figure(source: Source, field: Field, value: Json) -> Json:
    if isinstance(value, list):
        return [None if v is None or v in source.missing else _number(source, field, v) for v in value]
    if field.linear or field.name in _WHOLE or (source.form == "csv" and field.name not in _TEXT):
        return _number(source, field, value)
    return value


def _raw(source: Source, item: Json, place: str) -> Json:
    value = item.get(place) if source.form == "csv" else pointed(item, place)
    if source.form == "csv" and value == "":
        return None
    for told in source.missing:
        if type(value) is type(told) and value == told:
            return None
        if source.form == "csv" and str(value) == str(told):
            return None
    return value


def _number(source: Source, field: Field, value: Json) -> Json:
    if isinstance(value, str):
        text = value.replace(",", ".") if source.decimal == "," else value
        try:
            value = int(text) if text.lstrip("+-").isdigit() else float(text)
        except ValueError:
            if field.linear is None and field.name not in _WHOLE:
                return _boolean(value)
            raise ValueError(f"'{value[:40]}' is not a number") from None
    if isinstance(value, bool) or not isinstance(value, int | float):
        if field.linear is None:
            return value
        raise ValueError(f"{json.dumps(value)[:40]} is not a number")
    if field.linear is not None:
        factor, offset = field.linear
        value = factor * value + offset
    if field.name in _WHOLE and isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _boolean(text: str) -> Json:
    return {"true": True, "false": False}.get(text.lower(), text)


def _word(field: Field, value: Json) -> Json:
    assert field.words is not None
    told = value if isinstance(value, str) else json.dumps(value)
    if told not in field.words:
        raise ValueError(f"'{told[:40]}' is none of the words {', '.join(field.words)}")
    return field.words[told]


def _holds(source: Source, rule: Rule, item: Json) -> bool:
    if rule.source is None:
        return True
    value = _raw(source, item, rule.source)
    if rule.missing is not None and rule.missing != (value is None):
        return False
    if rule.equals is not None and not any(_same(source, value, wanted) for wanted in rule.equals):
        return False
    if rule.below is None and rule.above is None:
        return True
    number = _number(source, Field(rule.source, linear=(1.0, 0.0)), value) if value is not None else None
    if number is None:
        return False
    return (rule.below is None or number < rule.below) and (rule.above is None or number > rule.above)


def _same(source: Source, value: Json, wanted: Json) -> bool:
    if source.form == "csv":
        return value is not None and (value == str(wanted) or _boolean(value) is wanted)
    return isinstance(value, bool) == isinstance(wanted, bool) and value == wanted


def _time(field: Field, raw: list[Json]) -> str:
    """Return RFC 3339 text; a time that the zone's clock shows twice is taken as its first."""
    if field.clock in _PER_S:
        number = raw[0] if not isinstance(raw[0], str) else float(raw[0])
        if isinstance(number, bool) or not isinstance(number, int | float):
            raise ValueError(f"{json.dumps(number)[:40]} is no count of time since 1970")
        whole, part = divmod(number, _PER_S[field.clock])
        at = _EPOCH + timedelta(seconds=whole, microseconds=round(part * 1_000_000 / _PER_S[field.clock]))
        return at.isoformat()
    text = " ".join(str(value) for value in raw)
    if field.clock == "rfc3339":
        at = datetime.fromisoformat(text)
    else:
        assert field.clock is not None
        at = datetime.strptime(text, field.clock)  # noqa: DTZ007 - the zone follows
    if at.tzinfo is None:
        if field.zone is None:
            raise ValueError(f"'{text}' has no offset; give the mapping's at a zone such as 'America/Denver'")
        at = at.replace(tzinfo=field.zone)
        if at.astimezone(UTC).astimezone(field.zone).replace(tzinfo=None) != at.replace(tzinfo=None):
            raise ValueError(f"'{text}' is left out by the clock of {field.zone.key}")
    return at.astimezone(UTC).isoformat()


def _told(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "nested too deeply"
    return str(error).splitlines()[0] if str(error) else type(error).__name__


_TEXT = {"outcome", "mode", "event", "detail", "firmware", "unit"}
