"""Tables of records as pandas frames: one dtype a column, the same from every source.

Words that every record has are ``str``; other words are objects with None; numbers are float64 with NaN for missing;
``seq`` is int64; times are datetime64[us, UTC]; lists and objects are Python's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, cast

import msgspec
import numpy as np
import pandas as pd

from ingest.shapes import FileKind, columns

TIME = "datetime64[us, UTC]"


def empty(kind: FileKind) -> pd.DataFrame:
    """Return a frame of no rows with the columns and dtypes of a kind of record."""
    return frame(kind, {})


def frame(
    kind: FileKind, arrays: Mapping[str, Sequence[Any] | np.ndarray], extra: Sequence[str | None] = ()
) -> pd.DataFrame:
    """Make the table of one kind from its columns.

    Parameters
    ----------
    kind
        What the records are.
    arrays
        Column name to values, all of one length; a column not given is missing throughout.
        Times are datetimes with a zone, or ``datetime64[us]`` in UTC.
    extra
        What else each record carried, as JSON objects in text; the column is left out where no record had any.

    Returns
    -------
    pandas.DataFrame
        The columns of :func:`ingest.shapes.columns`, in that order, and ``extra`` where there is one.
    """
    rows = len(next(iter(arrays.values()))) if arrays else 0
    made: dict[str, Any] = {}
    for name, column in columns(kind).items():
        values = arrays.get(name)
        if column.kind == "time":
            made[name] = _times(values, rows)
        elif column.kind == "whole" and column.required:
            made[name] = np.zeros(rows, np.int64) if values is None else np.asarray(values, np.int64)
        elif column.kind in {"number", "whole"}:
            made[name] = np.full(rows, np.nan) if values is None else np.asarray(values, np.float64)
        elif column.kind == "word" and column.required:
            made[name] = pd.Series([] if values is None else values, dtype="str")
        else:
            made[name] = _objects(values, rows)
    if any(e is not None for e in extra):
        made["extra"] = _objects(extra, rows)
    return pd.DataFrame(made)


def from_records(kind: FileKind, records: Sequence[msgspec.Struct], extra: Sequence[str | None] = ()) -> pd.DataFrame:
    """Make the table of one kind from its structs, one row a record."""
    arrays: dict[str, Any] = {name: [getattr(r, name) for r in records] for name in columns(kind)}
    if kind == "forecasts":
        arrays["hours"] = [
            [{"at": hour.at.astimezone(UTC), "outdoor_c": hour.outdoor_c} for hour in hours]
            for hours in arrays["hours"]
        ]
    return frame(kind, arrays, extra)


def concat(kind: FileKind, frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put frames of one kind under one another, with ``extra`` where any has it."""
    some = [f for f in frames if len(f)]
    if not some:
        return empty(kind)
    if any("extra" in f for f in some):
        some = [f if "extra" in f else f.assign(extra=_objects(None, len(f)).to_numpy()) for f in some]
    return pd.concat(some, ignore_index=True) if len(some) > 1 else some[0].reset_index(drop=True)


def _times(values: Sequence[datetime] | np.ndarray | None, rows: int) -> pd.Series:
    if isinstance(values, np.ndarray) and values.dtype.kind == "M":
        stamps = values.astype("M8[us]")
    else:
        # A double holds the microseconds of any year up to 2100 to within half of one, so that rounding is exact.
        seconds = np.array([v.timestamp() for v in cast("Sequence[datetime]", () if values is None else values)], float)
        stamps = np.round(seconds * 1e6).astype(np.int64).view("M8[us]")
    if values is None:
        stamps = np.full(rows, np.datetime64("NaT", "us"))
    return pd.Series(stamps).dt.tz_localize("UTC")


def _objects(values: Sequence[Any] | np.ndarray | None, rows: int) -> pd.Series:
    if isinstance(values, np.ndarray) and values.dtype == object:
        return pd.Series(values, dtype=object)
    held = np.full(rows, None, object)
    for place, value in enumerate(() if values is None else values):
        held[place] = value
    return pd.Series(held, dtype=object)
