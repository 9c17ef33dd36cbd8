"""The times of a log as loggers write them: without a year, in local time, with midnight as 24:00."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.errors import BadInputError

_MIDNIGHT = r"(?<!\d)24:00(?=(?::00(?:\.0+)?)?(?:\D|$))"
_FIRST, _BEYOND = np.datetime64("2000-01-01"), np.datetime64("2101-01-01")
_NEW_YEAR_DAYS = 300.0
"""A step back by more than this, in a log without years, is a new year's day and not a row out of order."""


def instants(
    frame: pd.DataFrame,
    columns: Sequence[str],
    units: pd.Series,
    *,
    at_format: str | None = None,
    year: int | None = None,
    zone: str | None = None,
) -> tuple[np.ndarray, NDArray[np.bool_]]:
    """Read the time of each row of a log.

    Parameters
    ----------
    frame, columns
        The log and the columns of its time; several are joined with a space.
    units
        The unit of each row: the year turns, and a repeated local hour is told apart, within a unit.
    at_format
        As for ``strptime``; without it, ISO 8601. ``24:00`` is midnight at the end of the day.
    year
        The year of the first row, needed where the format has none; it turns where the log steps from December to
        January.
    zone
        IANA zone of times that carry no offset.

    Returns
    -------
    tuple
        Times as ``datetime64[us]`` in UTC, and which rows have none (NaT): unreadable, or outside 2000 to 2100.

    Raises
    ------
    BadInputError
        No year, or no zone, or no such zone, where one is needed.
    """
    if len(columns) == 1 and isinstance(frame[columns[0]].dtype, pd.DatetimeTZDtype):
        read = frame[columns[0]]
    elif len(columns) == 1 and pd.api.types.is_datetime64_dtype(frame[columns[0]]):
        read = _localised(frame[columns[0]], units, zone)
    else:
        parts = [frame[name].astype("string").fillna("").str.strip() for name in columns]
        text = parts[0]
        for part in parts[1:]:
            text = text + " " + part
        late = text.str.contains(_MIDNIGHT, regex=True)
        text = text.str.replace(_MIDNIGHT, "00:00", regex=True)
        if at_format and not _has_year(at_format):
            text, at_format = _with_year(text, at_format, year, units), f"%Y {at_format}"
        read = _read(text, at_format) + pd.to_timedelta(late.astype("int64"), unit="D")
        if not isinstance(read.dtype, pd.DatetimeTZDtype):
            read = _localised(read, units, zone)
    utc = read.dt.tz_convert("UTC").dt.tz_localize(None).astype("datetime64[us]").to_numpy(copy=True)
    utc[(utc < _FIRST) | (utc >= _BEYOND)] = np.datetime64("NaT")
    return utc, np.isnat(utc)


def _read(text: pd.Series, at_format: str | None) -> pd.Series:
    if at_format is not None:
        return pd.to_datetime(text, format=at_format, errors="coerce", utc="%z" in at_format)
    has_offset = text.str.contains(r"(?:Z|[+-]\d\d:?\d\d)$", regex=True)
    if has_offset.any():
        return pd.to_datetime(text.where(has_offset), format="ISO8601", utc=True, errors="coerce")
    return pd.to_datetime(text, format="ISO8601", errors="coerce")


def _has_year(at_format: str) -> bool:
    return any(mark in at_format for mark in ("%Y", "%y", "%D", "%c", "%x"))


def _with_year(text: pd.Series, at_format: str, year: int | None, units: pd.Series) -> pd.Series:
    """Put the year before each time, counting its turns in the order of the rows."""
    if year is None:
        raise BadInputError(f"--at-format '{at_format}' has no year: give --year")
    leap = pd.to_datetime("2000 " + text, format=f"%Y {at_format}", errors="coerce")  # any leap year: 29 February reads
    group = units.to_numpy()
    step_d = _days(leap.groupby(group).ffill().groupby(group).diff())
    turns: pd.Series = (step_d < -_NEW_YEAR_DAYS).astype("int64").groupby(group).cumsum()
    years: pd.Series = (turns + year).astype("string")
    out: pd.Series = years + " " + text
    return out


def _localised(read: pd.Series, units: pd.Series, zone: str | None) -> pd.Series:
    if zone is None:
        if read.notna().any():
            raise BadInputError(
                "the times carry no offset: give their zone, such as --zone America/Denver or --zone UTC"
            )
        nothing: pd.Series = read.dt.tz_localize("UTC")
        return nothing
    try:
        place = ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        raise BadInputError(f"--zone {zone!r} is no time zone: give an IANA name such as America/Denver") from None
    local: pd.Series = read.dt.tz_localize(place, ambiguous=_first_pass(read, units), nonexistent="NaT")
    return local


def _first_pass(read: pd.Series, units: pd.Series) -> NDArray[np.bool_]:
    """Tell which rows stand in the first pass of an hour that the clocks repeat: those before the step back."""
    group = units.to_numpy()
    step_d = _days(read.groupby(group).diff())
    back = (step_d < 0) & (step_d >= -1 / 24)
    day = read.dt.normalize()
    steps_back = back.groupby([group, day], dropna=False).cumsum()
    return np.asarray(steps_back == 0, dtype=bool)


def _days(steps: pd.Series) -> pd.Series:
    """Return steps of time as days, NaN where there is none."""
    days: pd.Series = pd.to_timedelta(steps).dt.total_seconds() / 86_400
    return days
