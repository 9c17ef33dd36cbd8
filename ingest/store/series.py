"""Writing the series, starts, rests and events: COPY into a staging table, then merge what is new by its key.

The key (unit, at, seq) makes it harmless to write a row again. In the same transaction the days that gained rows are
marked for the watch, and the newest start of each unit is noted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import isnan
from typing import Any

import numpy as np
import pandas as pd
import psycopg
from psycopg import sql

from ingest.ahead import ahead
from ingest.clock import allowed
from ingest.database import ensure_days, forget_days
from ingest.errors import BadInputError
from ingest.named_sql import queries
from ingest.store import binary
from ingest.store.jsonb import as_jsonb
from ingest.store.registry import unit_ids
from ingest.store.stored import Stored
from ingest.wire import START_FIELDS

CHUNK_ROWS = 20_000
Row = tuple[Any, ...]


@dataclass(frozen=True)
class Series:
    """One series: its table, its fields in the order of the wire's struct, their types, and how it is merged."""

    table: str
    fields: tuple[str, ...]
    types: tuple[str, ...]
    merge: str = "merge"


_WORDS = {"outcome", "mode", "event", "detail"}
_SMALL = {"stage", "retry"}
_OWN = {"seq": "int8", "at": "timestamptz"} | dict.fromkeys(_WORDS, "text") | dict.fromkeys(_SMALL, "int2")
_BESIDE = ("account_id", "unit_id", "extra", "received_at")
_BESIDE_TYPES = ("int8", "int8", "jsonb", "timestamptz")

STARTS = Series("start", START_FIELDS, tuple(_OWN.get(f, "float4") for f in START_FIELDS), "merge_start")
RESTS = Series(
    "rest",
    ("seq", "at", "t_s", "suction_kpa", "liquid_kpa", "outdoor_c"),
    ("int8", "timestamptz", "float4[]", "float4[]", "float4[]", "float4"),
)
EVENTS = Series("event", ("seq", "at", "event", "detail"), ("int8", "timestamptz", "text", "text"))


def merge(connection: psycopg.Connection, series: Series, rows: Sequence[Row]) -> dict[int, int]:
    """Write rows of one series in one transaction (or in the caller's), and wake the watch.

    Parameters
    ----------
    rows
        Tuples of the series' fields in order, then account, unit, extra (``Jsonb`` or None) and time of receipt.
        The days of the rows must have their partitions: see :func:`prepare`.

    Returns
    -------
    dict
        Rows that were new, by account.
    """

    def write(copy: psycopg.Copy) -> None:
        copy.set_types(series.types + _BESIDE_TYPES)
        for row in rows:
            copy.write_row(row)

    return _merge(connection, series, write)


def _merge(
    connection: psycopg.Connection, series: Series, write: Callable[[psycopg.Copy], None], *, in_order: bool = False
) -> dict[int, int]:
    stage = f"{series.table}_stage"
    columns = sql.SQL(", ").join(map(sql.Identifier, series.fields + _BESIDE))
    order = sql.SQL("" if in_order else "order by unit_id, at, seq")
    names = {"table": sql.Identifier(series.table), "stage": sql.Identifier(stage), "columns": columns, "order": order}
    nested = connection.info.transaction_status != psycopg.pq.TransactionStatus.IDLE
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(sql.SQL(_SQL["stage"]).format(**names))
        if nested:  # the staging table is emptied by a commit only
            cursor.execute(sql.SQL(_SQL["clear_stage"]).format(**names))
        with cursor.copy(sql.SQL(_SQL["copy"]).format(**names)) as copy:
            write(copy)
        cursor.execute(sql.SQL(_SQL[series.merge]).format(**names))
        new: dict[int, int] = dict(cursor.fetchall())
        if new:
            cursor.execute(_SQL["wake"])
    return new


def prepare(connection: psycopg.Connection, series: Series, days: Iterable[date]) -> None:
    """Make the partitions that rows of these days need, outside any transaction of the rows themselves."""
    ensure_days(connection, series.table, days)


def put_starts(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
) -> Stored:
    """Store starts of a table; units that are not there yet are made.

    Parameters
    ----------
    frame
        One row a start, as :mod:`ingest.frames` describes it.
    progress
        Called with the number of rows written after each chunk.

    Raises
    ------
    BadInputError
        A start lies before 2000 or more than a day ahead.
    """
    return _put(connection, account_id, STARTS, frame, progress)


def put_rests(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
) -> Stored:
    """Store rests of a table, as :func:`put_starts` does starts."""
    return _put(connection, account_id, RESTS, frame, progress)


def put_events(
    connection: psycopg.Connection,
    account_id: int,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None = None,
) -> Stored:
    """Store events of a table, as :func:`put_starts` does starts."""
    return _put(connection, account_id, EVENTS, frame, progress)


def _put(
    connection: psycopg.Connection,
    account_id: int,
    series: Series,
    frame: pd.DataFrame,
    progress: Callable[[int], object] | None,
) -> Stored:
    received_at = datetime.now(UTC)
    _refuse_clock(series, frame, received_at)
    ids = unit_ids(connection, account_id, frame["unit"].unique().tolist(), create=True)
    prepare(connection, series, frame["at"].dt.date.unique().tolist())
    frame = _in_key_order(frame, ids)
    firsts = range(0, len(frame), CHUNK_ROWS)
    parts = (frame.iloc[first : first + CHUNK_ROWS] for first in firsts)
    new = 0
    for count, write in ahead((len(part), _writer(series, part, account_id, ids, received_at)) for part in parts):
        try:
            merged = _merge(connection, series, write, in_order=True)
        except psycopg.errors.CheckViolation:  # a partition that this connection remembers is gone
            forget_days(connection)
            prepare(connection, series, frame["at"].dt.date.unique().tolist())
            merged = _merge(connection, series, write, in_order=True)
        new += merged.get(account_id, 0)
        if progress:
            progress(count)
    return Stored(new, len(frame) - new)


def _in_key_order(frame: pd.DataFrame, ids: dict[str, int]) -> pd.DataFrame:
    """Return a table in the order of the key, in which all writers write: sorting here costs the server nothing."""
    codes, names = pd.factorize(frame["unit"])
    units = np.array([ids[str(name)] for name in names], np.int64)[codes]
    at = frame["at"].dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("M8[us]")
    order = np.lexsort((frame["seq"].to_numpy(np.int64), at, units))
    return frame if (order[1:] > order[:-1]).all() else frame.iloc[order]


def _writer(
    series: Series, frame: pd.DataFrame, account_id: int, ids: dict[str, int], received_at: datetime
) -> Callable[[psycopg.Copy], None]:
    """Return what writes a table's rows to a COPY: all at once where its columns can be encoded so, else one by one."""
    data = _encoded(series, frame, account_id, ids, received_at)
    if data is not None:
        return lambda copy: copy.write(data)
    rows = _rows(series, frame, account_id, ids, received_at)

    def write(copy: psycopg.Copy) -> None:
        copy.set_types(series.types + _BESIDE_TYPES)
        for row in rows:
            copy.write_row(row)

    return write


def _encoded(
    series: Series, frame: pd.DataFrame, account_id: int, ids: dict[str, int], received_at: datetime
) -> bytes | None:
    """Return a table's rows as COPY takes them, or None where a column holds lists or words that are too wide."""
    count = len(frame)
    codes, names = pd.factorize(frame["unit"])
    units = np.array([ids[str(name)] for name in names], np.int64)[codes]
    extra = frame["extra"] if "extra" in frame else np.full(count, None, object)
    columns = [
        *(_encoded_column(frame, field, kind) for field, kind in zip(series.fields, series.types, strict=True)),
        binary.numbers(np.full(count, account_id), ">i8"),
        binary.numbers(units, ">i8"),
        binary.words(extra, before=b"\x01"),
        binary.times(np.full(count, np.datetime64(received_at.replace(tzinfo=None), "us"))),
    ]
    whole = [column for column in columns if column is not None]
    return binary.rows(whole) if len(whole) == len(columns) else None


def _encoded_column(frame: pd.DataFrame, field: str, kind: str) -> binary.Encoded | None:
    if kind == "float4[]":
        return None
    if field not in frame:
        return binary.words(np.full(len(frame), None, object))
    values = frame[field]
    match kind:
        case "timestamptz":
            return binary.times(values.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("M8[us]"))
        case "int8":
            return binary.numbers(values.to_numpy(np.int64), ">i8")
        case "float4" | "int2":
            held = values.to_numpy(np.float64)
            missing = np.isnan(held)
            with np.errstate(over="ignore"):
                return binary.numbers(np.where(missing, 0.0, held), ">f4" if kind == "float4" else ">i2", missing)
        case _:
            return binary.words(values)


def _rows(
    series: Series, frame: pd.DataFrame, account_id: int, ids: dict[str, int], received_at: datetime
) -> list[Row]:
    count = len(frame)
    columns = [_column(frame, field, kind) for field, kind in zip(series.fields, series.types, strict=True)]
    extra = frame["extra"].tolist() if "extra" in frame else [None] * count
    beside = [
        [account_id] * count,
        [ids[unit] for unit in frame["unit"]],
        [as_jsonb(e.encode()) if isinstance(e, str) else None for e in extra],
        [received_at] * count,
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


_SQL = queries("ingest", "sql/series.sql")
