"""Reading what is kept, as tables.

Starts are many, and go through COPY and a CSV reader in compiled code; the rest comes as rows.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
import psycopg
import pyarrow as pa
import pyarrow.csv
from psycopg import sql

from ingest.frames import frame
from ingest.named_sql import queries
from ingest.shapes import FileKind, columns
from ingest.wire import START_FIELDS

_WORDS = ("outcome", "mode")
_START_COLUMNS = ("unit", *(f for f in START_FIELDS if f != "at"), "at", "extra")


def read_starts(
    connection: psycopg.Connection,
    account_id: int,
    unit_ids: Iterable[int] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Return starts by unit and time.

    Parameters
    ----------
    unit_ids
        Only these units; all of the account without it.
    since, until
        From this instant on, and before that one. A bound keeps the days outside it from being looked at.
    """
    fields = sql.SQL(", ").join(sql.Identifier("kept", f) for f in START_FIELDS if f != "at")
    query = sql.SQL(_SERIES["read_starts"]).format(columns=fields)
    text = io.BytesIO()
    with connection.cursor() as cursor, cursor.copy(query, _wanted(account_id, unit_ids, since, until)) as copy:
        for part in copy:
            text.write(part)
    if not text.tell():
        return frame("starts", {})
    text.seek(0)
    table = pyarrow.csv.read_csv(
        text,
        read_options=pyarrow.csv.ReadOptions(column_names=list(_START_COLUMNS)),
        parse_options=pyarrow.csv.ParseOptions(newlines_in_values=True),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types={name: _arrow_type(name) for name in _START_COLUMNS},
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
        ),
    )
    arrays: dict[str, Any] = {}
    for name in _START_COLUMNS:
        arrays[name] = table.column(name).to_numpy()
    arrays["at"] = arrays["at"].view("M8[us]")
    extra = arrays.pop("extra")
    return frame("starts", arrays, extra.tolist() if table.column("extra").null_count < len(table) else ())


def read_rests(
    connection: psycopg.Connection,
    account_id: int,
    unit_ids: Iterable[int] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Return rests by unit and time, chosen as in :func:`read_starts`."""
    names = ("unit", "seq", "at", "t_s", "suction_kpa", "liquid_kpa", "outdoor_c", "extra")
    rows = connection.execute(_SERIES["read_rests"], _wanted(account_id, unit_ids, since, until)).fetchall()
    return _frame("rests", names, rows)


def read_events(
    connection: psycopg.Connection,
    account_id: int,
    unit_ids: Iterable[int] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Return events by unit and time, chosen as in :func:`read_starts`."""
    names = ("unit", "seq", "at", "event", "detail", "extra")
    rows = connection.execute(_SERIES["read_events"], _wanted(account_id, unit_ids, since, until)).fetchall()
    return _frame("events", names, rows)


def read_units(connection: psycopg.Connection, account_id: int, unit_ids: Iterable[int] | None = None) -> pd.DataFrame:
    """Return units by name, with place and time zone of their site and their device."""
    rows = connection.execute(_REGISTRY["read_units"], _wanted(account_id, unit_ids)).fetchall()
    return _frame("units", tuple(columns("units")), rows)


def read_visits(
    connection: psycopg.Connection,
    account_id: int,
    unit_ids: Iterable[int] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Return visits by unit and time, chosen as in :func:`read_starts`."""
    rows = connection.execute(_REGISTRY["read_visits"], _wanted(account_id, unit_ids, since, until)).fetchall()
    return _frame("visits", tuple(columns("visits")), rows)


def read_forecasts(
    connection: psycopg.Connection,
    account_id: int,
    sites: Iterable[str] | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pd.DataFrame:
    """Return forecasts by site and time of issue; ``since`` and ``until`` bound the issue."""
    wanted = _wanted(account_id, None, since, until) | {"sites": None if sites is None else list(sites)}
    rows = connection.execute(_REGISTRY["read_forecasts"], wanted).fetchall()
    hours = [
        (site, issued, [{"at": at, "outdoor_c": outdoor_c} for at, outdoor_c in zip(times, temperatures, strict=True)])
        for site, issued, times, temperatures in rows
    ]
    return _frame("forecasts", ("site", "issued", "hours"), hours)


def _wanted(
    account_id: int,
    unit_ids: Iterable[int] | None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> dict[str, Any]:
    return {
        "account_id": account_id,
        "unit_ids": None if unit_ids is None else [int(u) for u in unit_ids],
        "since": since or "-infinity",
        "until": until or "infinity",
    }


def _frame(kind: FileKind, names: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    if not rows:
        return frame(kind, {})
    arrays: dict[str, Any] = {name: list(values) for name, values in zip(names, zip(*rows, strict=True), strict=True)}
    for name, column in columns(kind).items():
        if column.kind in {"number", "whole"} and not column.required and name in arrays:
            arrays[name] = np.array([np.nan if v is None else v for v in arrays[name]], np.float64)
    return frame(kind, arrays, arrays.pop("extra", ()))


def _arrow_type(name: str) -> pa.DataType:
    if name in {"seq", "at"}:
        return pa.int64()
    return pa.string() if name in {"unit", "extra", *_WORDS} else pa.float64()


_SERIES = queries("ingest", "sql/series.sql")
_REGISTRY = queries("ingest", "sql/registry.sql")
