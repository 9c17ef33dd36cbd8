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

from ingest.clock import allowed
from ingest.database import ensure_days, forget_days
from ingest.errors import BadInputError
from ingest.named_sql import queries
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
    stage = f"{series.table}_stage"
    columns = sql.SQL(", ").join(map(sql.Identifier, series.fields + _BESIDE))
    names = {"table": sql.Identifier(series.table), "stage": sql.Identifier(stage), "columns": columns}
    nested = connection.info.transaction_status != psycopg.pq.TransactionStatus.IDLE
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(sql.SQL(_SQL["stage"]).format(**names))
        if nested:  # the staging table is emptied by a commit only
            cursor.execute(sql.SQL(_SQL["clear_stage"]).format(**names))
        with cursor.copy(sql.SQL(_SQL["copy"]).format(**names)) as copy:
            copy.set_types(series.types + _BESIDE_TYPES)
            for row in rows:
                copy.write_row(row)
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
    new = 0
    for first in range(0, len(frame), CHUNK_ROWS):
        rows = _rows(series, frame.iloc[first : first + CHUNK_ROWS], account_id, ids, received_at)
        try:
            merged = merge(connection, series, rows)
        except psycopg.errors.CheckViolation:  # a partition that this connection remembers is gone
            forget_days(connection)
            prepare(connection, series, frame["at"].dt.date.unique().tolist())
            merged = merge(connection, series, rows)
        new += merged.get(account_id, 0)
        if progress:
            progress(len(rows))
    return Stored(new, len(frame) - new)


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
