"""Storing the series from tables of records: starts, rests and events of files and simulations.

A table's rows are encoded whole columns at a time and written a chunk a transaction; the next chunk is encoded while
the last one is stored. A chunk holds the records of a few units, and is written in the order in which all writers
write. The commits wait for the disk all together at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from math import isnan
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import psycopg

from ingest.ahead import ahead
from ingest.clock import allowed
from ingest.database import flushed_together, forget_days
from ingest.errors import BadInputError
from ingest.store import binary, conflicts
from ingest.store.jsonb import as_jsonb
from ingest.store.registry import unit_ids
from ingest.store.series import BESIDE_TYPES, EVENTS, RESTS, STARTS, Row, Series, Touched, merge_in_order, prepare
from ingest.store.stored import Stored

CHUNK_ROWS = 5_000
"""Rows of a transaction. COPY gets slow with hundreds of rows for each of many partitions in one statement; of so few
rows of a history, a day has few."""


def put_starts(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
    differing: Callable[[int], object] | None = None,
) -> Stored:
    """Store starts of a table; units that are not there yet are made.

    Parameters
    ----------
    frame
        One row a start, as :mod:`ingest.frames` describes it.
    progress
        Called with the number of rows written after each chunk.
    differing
        Called with the number of rows of a chunk whose key stands with other content; the first one stands.

    Raises
    ------
    BadInputError
        A start lies before 2000 or more than a day ahead.
    """
    return _put(connection, account_id, STARTS, frame, progress, differing)


def put_rests(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
    differing: Callable[[int], object] | None = None,
) -> Stored:
    """Store rests of a table, as :func:`put_starts` does starts."""
    return _put(connection, account_id, RESTS, frame, progress, differing)


def put_events(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
    differing: Callable[[int], object] | None = None,
) -> Stored:
    """Store events of a table, as :func:`put_starts` does starts."""
    return _put(connection, account_id, EVENTS, frame, progress, differing)


def _put(
    connection: psycopg.Connection,
    account_id: int,
    series: Series,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None,
    differing: Callable[[int], object] | None,
) -> Stored:
    if not len(frame):
        return Stored(0, 0)
    received_at = datetime.now(UTC)
    _refuse_clock(series, frame, received_at)
    ids = unit_ids(connection, account_id, frame["unit"].unique().tolist(), create=True)
    table = _told(frame, account_id, ids, received_at)
    days = np.unique(table.days).tolist()
    prepare(connection, series, days)
    new = 0
    with flushed_together(connection):
        for count, write, touched in ahead(_chunks(series, table)):
            try:
                fresh = _merged(connection, series, write, touched, differing)
            except psycopg.errors.CheckViolation:  # a partition that this connection remembers is gone
                forget_days(connection)
                prepare(connection, series, days)
                fresh = _merged(connection, series, write, touched, differing)
            new += fresh
            if progress:
                progress(count)
    return Stored(new, len(frame) - new)


def _merged(
    connection: psycopg.Connection,
    series: Series,
    write: Callable[[psycopg.Copy], None],
    touched: Touched,
    differing: Callable[[int], object] | None,
) -> int:
    """Write a chunk, return how many of its rows were new, and tell how many differ from what stands if asked."""
    with connection.transaction():
        fresh = merge_in_order(connection, series, write, touched)
        others = len(conflicts.held(connection, series, touched)) if differing and fresh != touched.rows else 0
    if differing and others:
        differing(others)
    return sum(fresh.values())


class _Table(NamedTuple):
    """A table of records, each row's unit, time and day in UTC, and the rows in the order of unit, time and number."""

    frame: pd.DataFrame
    account_id: int
    units: npt.NDArray[np.int64]
    times: npt.NDArray[np.datetime64]
    days: npt.NDArray[np.datetime64]
    order: npt.NDArray[np.intp]
    received_at: datetime


def _told(frame: pd.DataFrame, account_id: int, ids: dict[str, int], received_at: datetime) -> _Table:
    codes, names = pd.factorize(frame["unit"])
    units = np.array([ids[str(name)] for name in names], np.int64)[codes]
    at = frame["at"].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("M8[us]")
    order = np.lexsort((frame["seq"].to_numpy(np.int64), at, units))
    return _Table(frame, account_id, units, at, at.astype("M8[D]"), order, received_at)


def _chunks(series: Series, table: _Table) -> Iterator[tuple[int, Callable[[psycopg.Copy], None], Touched]]:
    """Yield rows a chunk at a time: how many, what writes them to a COPY in order, and what they bear on."""
    for first in range(0, len(table.order), CHUNK_ROWS):
        place = table.order[first : first + CHUNK_ROWS]
        place = place[np.argsort(table.days[place], kind="stable")]
        part = table._replace(
            frame=table.frame.iloc[place], units=table.units[place], times=table.times[place], days=table.days[place]
        )
        yield len(place), _writer(series, part), _touched(series, part)


def _touched(series: Series, part: _Table) -> Touched:
    account_id, count = part.account_id, len(part.units)
    first = np.ones(count, bool)
    first[1:] = (part.units[1:] != part.units[:-1]) | (part.days[1:] != part.days[:-1])
    pairs = sorted(zip(part.units[first].tolist(), part.days[first].tolist(), strict=True))
    newest = []
    if series is STARTS:
        of_unit, place = np.unique(part.units, return_inverse=True)
        last = np.full(len(of_unit), np.iinfo(np.int64).min)
        np.maximum.at(last, place, part.times.astype(np.int64))
        newest = [
            (unit, account_id, at.replace(tzinfo=UTC), part.received_at)
            for unit, at in zip(of_unit.tolist(), last.view("M8[us]").tolist(), strict=True)
        ]
    return Touched([(unit, day, account_id) for unit, day in pairs], newest, {account_id: count})


def _writer(series: Series, part: _Table) -> Callable[[psycopg.Copy], None]:
    """Return what writes a table's rows to a COPY: all at once where its columns can be encoded so, else one by one."""
    data = _encoded(series, part)
    if data is not None:
        return lambda copy: copy.write(data)
    rows = _rows(series, part)

    def write(copy: psycopg.Copy) -> None:
        copy.set_types(series.types + BESIDE_TYPES)
        for row in rows:
            copy.write_row(row)

    return write


def _encoded(series: Series, part: _Table) -> bytes | None:
    """Return a table's rows as COPY takes them, or None where a column holds lists or words that are too wide."""
    count = len(part.frame)
    extra = part.frame["extra"] if "extra" in part.frame else np.full(count, None, object)
    columns = [
        *(_encoded_column(part, field, kind) for field, kind in zip(series.fields, series.types, strict=True)),
        binary.numbers(np.full(count, part.account_id), ">i8"),
        binary.numbers(part.units, ">i8"),
        binary.words(extra, before=b"\x01"),
        binary.times(np.full(count, np.datetime64(part.received_at.replace(tzinfo=None), "us"))),
    ]
    whole = [column for column in columns if column is not None]
    return binary.rows(whole) if len(whole) == len(columns) else None


def _encoded_column(part: _Table, field: str, kind: str) -> binary.Encoded | None:
    if kind == "float4[]":
        return None
    if field not in part.frame:
        return binary.words(np.full(len(part.frame), None, object))
    values = part.frame[field]
    match kind:
        case "timestamptz":
            return binary.times(part.times)
        case "int8":
            return binary.numbers(values.to_numpy(np.int64), ">i8")
        case "float4" | "int2":
            held = values.to_numpy(np.float64)
            missing = np.isnan(held)
            with np.errstate(over="ignore"):
                return binary.numbers(np.where(missing, 0.0, held), ">f4" if kind == "float4" else ">i2", missing)
        case _:
            return binary.words(values)


def _rows(series: Series, part: _Table) -> list[Row]:
    frame, count = part.frame, len(part.frame)
    columns = [_column(frame, field, kind) for field, kind in zip(series.fields, series.types, strict=True)]
    extra = frame["extra"].tolist() if "extra" in frame else [None] * count
    beside = [
        [part.account_id] * count,
        part.units.tolist(),
        [as_jsonb(e.encode()) if isinstance(e, str) else None for e in extra],
        [part.received_at] * count,
    ]
    return list(zip(*columns, *beside, strict=True))


def _column(frame: pd.DataFrame, field: str, kind: str) -> list[Any]:
    """Return a column as Python values, None where missing."""
    if field not in frame:
        return [None] * len(frame)
    values = frame[field]
    held: list[Any]
    match kind:
        case "timestamptz":
            held = list(values.dt.to_pydatetime())
        case "int8":
            held = values.to_numpy(np.int64).tolist()
        case "float4":
            held = [None if isnan(v) else v for v in values.to_numpy(np.float64).tolist()]
        case "int2":
            held = [None if isnan(v) else int(v) for v in values.to_numpy(np.float64).tolist()]
        case "float4[]":
            held = [list(v) if isinstance(v, list | tuple | np.ndarray) else None for v in values]
        case _:
            held = [v if isinstance(v, str) else None for v in values]
    return held


def _refuse_clock(series: Series, frame: pd.DataFrame, received_at: datetime) -> None:
    earliest, latest = allowed(received_at)
    wrong = (frame["at"] < earliest) | (frame["at"] > latest)
    if wrong.any():
        row = frame[wrong].iloc[0]
        raise BadInputError(
            f"{series.table}s: at: {row['at'].isoformat()} of unit {row['unit']} is before 2000 or more than a day "
            "ahead; mend the clock or the date"
        )
