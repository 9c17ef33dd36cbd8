"""Writing the series, starts, rests and events: COPY into the table, or what is new of it by way of a staging table.

The key (unit, at, seq) makes it harmless to write a row again. Rows that are all new, which is the usual case, are
copied straight into the table: half the work. Where one is there already the copy is undone, and the batch goes
through a staging table and is merged by its key; so do the next batches, until one is all new again. In the same
transaction the days that gained rows are marked for the watch, and the newest start of each unit is noted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

import psycopg
from psycopg import sql

from ingest.database import ensure_days
from ingest.named_sql import queries
from ingest.wire import START_FIELDS

Row = tuple[Any, ...]


@dataclass(frozen=True)
class Series:
    """One series: its table, its fields in the order of the wire's struct, their types, and how it is merged."""

    table: str
    fields: tuple[str, ...]
    types: tuple[str, ...]
    merge: str = "merge"


class Touched(NamedTuple):
    """What rows bear on beside their own table, in order.

    ``days`` are unit, day and account; ``newest`` the unit, account, newest time and newest receipt of each unit, for
    starts only; ``rows`` the number of rows by account.
    """

    days: Sequence[tuple[int, date, int]]
    newest: Sequence[tuple[int, int, datetime, datetime]]
    rows: dict[int, int]


_WORDS = {"outcome", "mode", "event", "detail"}
_SMALL = {"stage", "retry"}
_OWN = {"seq": "int8", "at": "timestamptz"} | dict.fromkeys(_WORDS, "text") | dict.fromkeys(_SMALL, "int2")
BESIDE = ("account_id", "unit_id", "extra", "received_at")
BESIDE_TYPES = ("int8", "int8", "jsonb", "timestamptz")

STARTS = Series("start", START_FIELDS, tuple(_OWN.get(f, "float4") for f in START_FIELDS), "merge_start")
RESTS = Series(
    "rest",
    ("seq", "at", "t_s", "suction_kpa", "liquid_kpa", "outdoor_c"),
    ("int8", "timestamptz", "float4[]", "float4[]", "float4[]", "float4"),
)
EVENTS = Series("event", ("seq", "at", "event", "detail"), ("int8", "timestamptz", "text", "text"))

_SEQ, _AT = 0, 1
_met_doubles: WeakKeyDictionary[psycopg.Connection[Any], set[str]] = WeakKeyDictionary()


def day_of(at: datetime) -> date:
    """Return the day (UTC) of an instant: that of its partition."""
    return (at if at.tzinfo is UTC else at.astimezone(UTC)).date()


class Ready(NamedTuple):
    """Rows of one series in the order in which all writers write, and what they bear on."""

    series: Series
    rows: Sequence[Row]
    touched: Touched


def in_order(series: Series, rows: Sequence[Row]) -> Ready:
    """Make rows ready for :func:`merge`.

    Parameters
    ----------
    rows
        Tuples of the series' fields in order, then account, unit, extra (``Jsonb`` or None) and time of receipt.
    """
    account = len(series.fields)
    unit, received_at = account + 1, account + 3
    by_day: defaultdict[date, list[Row]] = defaultdict(list)
    marked, newest, counts = [], [], Counter[int]()
    for unit_id, group in groupby(sorted(rows, key=itemgetter(unit)), itemgetter(unit)):
        own = sorted(group, key=itemgetter(_AT, _SEQ))
        account_id, last_at = own[-1][account], own[-1][_AT]
        days = {day_of(own[0][_AT]), day_of(last_at)}
        if len(days) == 1:
            by_day[next(iter(days))] += own
        else:
            for row in own:
                days.add(day := day_of(row[_AT]))
                by_day[day].append(row)
        marked += [(unit_id, day, account_id) for day in sorted(days)]
        newest.append((unit_id, account_id, last_at, max([row[received_at] for row in own])))
        counts[account_id] += len(own)
    ordered = [row for day in sorted(by_day) for row in by_day[day]]
    return Ready(series, ordered, Touched(marked, newest if series is STARTS else [], dict(counts)))


def merge(connection: psycopg.Connection, ready: Ready) -> dict[int, int]:
    """Write rows of one series in one transaction (or in the caller's), and wake the watch.

    The days of the rows must have their partitions: see :func:`prepare`.

    Returns
    -------
    dict
        Rows that were new, by account.
    """

    def write(copy: psycopg.Copy) -> None:
        copy.set_types(ready.series.types + BESIDE_TYPES)
        for row in ready.rows:
            copy.write_row(row)

    return merge_in_order(connection, ready.series, write, ready.touched)


def merge_in_order(
    connection: psycopg.Connection, series: Series, write: Callable[[psycopg.Copy], None], touched: Touched
) -> dict[int, int]:
    """Do what :func:`merge` does with rows that ``write`` gives to a COPY in the order of day, unit, time and number.

    All writers write in that order, so that no two wait for each other crosswise.
    """
    doubtful = _met_doubles.setdefault(connection, set())
    if series.table not in doubtful:
        try:
            with connection.transaction(), connection.cursor() as cursor:
                _copy(cursor, series, series.table, write)
                _touch(cursor, series, touched)
        except psycopg.errors.UniqueViolation:
            doubtful.add(series.table)
        else:
            return touched.rows
    new = _merge_by_stage(connection, series, write)
    if new == touched.rows:
        doubtful.discard(series.table)
    return new


def _merge_by_stage(
    connection: psycopg.Connection, series: Series, write: Callable[[psycopg.Copy], None]
) -> dict[int, int]:
    stage = f"{series.table}_stage"
    names = {"table": sql.Identifier(series.table), "stage": sql.Identifier(stage), "columns": _columns(series)}
    nested = connection.info.transaction_status != psycopg.pq.TransactionStatus.IDLE
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(sql.SQL(_SQL["stage"]).format(**names))
        if nested:  # the staging table is emptied by a commit only
            cursor.execute(sql.SQL(_SQL["clear_stage"]).format(**names))
        _copy(cursor, series, stage, write)
        cursor.execute(sql.SQL(_SQL[series.merge]).format(**names))
        new: dict[int, int] = dict(cursor.fetchall())
        if new:
            cursor.execute(_SQL["wake"])
    return new


def _copy(cursor: psycopg.Cursor, series: Series, table: str, write: Callable[[psycopg.Copy], None]) -> None:
    with cursor.copy(sql.SQL(_SQL["copy"]).format(table=sql.Identifier(table), columns=_columns(series))) as copy:
        write(copy)


def _columns(series: Series) -> sql.Composed:
    return sql.SQL(", ").join(map(sql.Identifier, series.fields + BESIDE))


def _touch(cursor: psycopg.Cursor, series: Series, touched: Touched) -> None:
    """Note what new rows bear on: the staged merge does the same in its own statement."""
    units, days, accounts = zip(*touched.days, strict=True)
    wanted = {"units": list(units), "days": list(days), "accounts": list(accounts)}
    if series is not STARTS:
        cursor.execute(_SQL["touch"], wanted)
        return
    units, accounts, newest, received = zip(*touched.newest, strict=True)
    heard = {"heard_units": list(units), "heard_accounts": list(accounts)}
    cursor.execute(_SQL["touch_start"], wanted | heard | {"last_at": list(newest), "last_received_at": list(received)})


def prepare(connection: psycopg.Connection, series: Series, days: Iterable[date]) -> None:
    """Make the partitions that rows of these days need, outside any transaction of the rows themselves."""
    ensure_days(connection, series.table, days)


_SQL = queries("ingest", "sql/series.sql")
