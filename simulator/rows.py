"""Small pieces that every table of records is made with."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


def moment(first_day: datetime, at_s: float) -> str:
    """Return a moment of the run as RFC 3339 in UTC."""
    return f"{first_day + timedelta(seconds=float(at_s)):%Y-%m-%dT%H:%M:%SZ}"


def stamps(first_day: datetime, at_s: Array) -> npt.NDArray[np.datetime64]:
    """Return moments to the millisecond."""
    origin = np.datetime64(first_day.replace(tzinfo=None), "us")
    return origin + (np.round(at_s * 1000).astype(np.int64) * 1000).astype("m8[us]")


def sequence(unit: Index) -> npt.NDArray[np.int64]:
    """Return 1, 2, 3 ... within each run of equal units."""
    count = len(unit)
    if not count:
        return np.zeros(0, np.int64)
    first = np.flatnonzero(np.diff(unit, prepend=-1))
    return np.arange(count) - np.repeat(first, np.diff(first, append=count)) + 1


def word(text: str) -> npt.NDArray[np.object_]:
    """Return a word as an array that broadcasts as an object, not as fixed-width text."""
    return np.array(text, object)
