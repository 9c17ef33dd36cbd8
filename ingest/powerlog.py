"""Starts out of a power log: a one-minute (or faster) series of an outdoor unit's power, with outdoor temperature.

A start is a crossing of the threshold upward between two rows of one unbroken stretch; a stretch ends where rows are
missing for more than `GAP_STEPS` sampling steps. What the log cannot tell is null: the off time before the first stop
of a stretch, the run-up, the peak. All of it is done on whole columns, however many units the log holds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest import frames
from ingest.complaint import Rejected
from ingest.errors import BadInputError
from ingest.powertime import instants
from ingest.rows import POWER_LOG

Array = NDArray[np.float64]
Index = NDArray[np.int64]

GAP_STEPS = 3
"""Rows further apart than this many sampling steps have an unknown stretch between them."""
SLOWEST_S = 90.0
"""A log whose rows are further apart than this misses short runs: starts cannot be counted from it."""
SETTLE_S = 60.0
"""What is left out of the running power after a start: the inrush, and the first building up of pressure."""
SURGE = 2.0
"""Power this many times the unit's own running power is not running but a rotor that stands still.

Locked-rotor current of single-phase compressors is 4 to 6.5 times the rated current at a power factor of 0.65 to 0.7,
against 0.95 and more when running: 2.7 to 4.6 times the power (common practice, no source).
"""
TOLD_S = 10.0
"""Power at running level must last this long, or have been caught a whole step apart, to tell that the motor ran."""


def starts(
    frame: pd.DataFrame,
    unit: str,
    at: str | Sequence[str],
    power: str,
    outdoor: str | None = None,
    threshold_w: float = 400.0,
    at_format: str | None = None,
    year: int | None = None,
    zone: str | None = None,
    path: str = "power log",
) -> tuple[pd.DataFrame, list[Rejected]]:
    """Find the starts in a power log.

    Parameters
    ----------
    frame
        The log, one row a sample, any order; several units may stand in one.
    unit, at, power, outdoor
        Names of the columns of the unit, the time (several are joined with a space), the outdoor unit's power in watts
        and the outdoor temperature in degrees Celsius.
    threshold_w
        Power at and above which the compressor is on, watts; above what a crankcase heater and a fan draw.
    at_format, year, zone
        As for `ingest.powertime.instants`.
    path
        Name of the file, for messages.

    Returns
    -------
    tuple
        The starts, one row each, by unit and time: ``at`` is the first sample at or above the threshold; ``off_s``
        from the first sample below it to there; ``ran_s`` the length of the run before; ``outdoor_c`` at the start;
        ``run_w`` the median power while on, the first `SETTLE_S` left out; ``outcome`` ``ran``, or ``locked`` where
        the median of all the power while on was at least `SURGE` times the unit's running power and the unit was then
        off, or None where the log does not tell; ``seq`` is ``at`` in whole Unix seconds, so that logs that overlap
        give the same starts the same key. And the rows that could not be used (or, for ``outdoor``, that were used
        without their temperature).

    Raises
    ------
    BadInputError
        A column is missing, no row can be used, the times lack a year or a zone, or rows are more than `SLOWEST_S`
        apart.
    """
    ats = [at] if isinstance(at, str) else list(at)
    _require(frame, [unit, *ats, power, *([outdoor] if outdoor else [])], path)
    if not threshold_w > 0:
        raise BadInputError(f"threshold: {threshold_w:g} W must be above 0")
    names = frame[unit].astype("string").str.strip().fillna("")
    time, untimely = instants(frame, ats, names, at_format=at_format, year=year, zone=zone)
    watts, no_watts = _numbers(frame[power], -np.inf, np.inf, empty_is_bad=True)
    celsius = np.full(len(frame), np.nan)
    rejected = [
        *_rejected(path, unit, names, (names == "").to_numpy(), "empty; each row needs its unit"),
        *_rejected(path, " ".join(ats), frame[ats], untimely, f"must be a time{_of(at_format)}"),
        *_rejected(path, power, frame[power], no_watts, "must be a number of watts"),
    ]
    if outdoor:
        celsius, odd = _numbers(frame[outdoor], -90.0, 70.0, empty_is_bad=False)
        rejected += _rejected(path, outdoor, frame[outdoor], odd, "must be °C (the row is used without it)")
    usable = ~untimely & ~no_watts & (names != "").to_numpy()
    order = np.lexsort((time, pd.factorize(names, sort=True)[0]))
    order = order[usable[order]]
    if order.size == 0:
        raise BadInputError(f"{path}: no row can be used{'; ' + str(rejected[0]) if rejected else ''}")
    who = pd.factorize(names.iloc[order])[0].astype(np.int64)
    seconds = time[order].astype(np.int64) / 1e6
    again = np.concatenate([[False], (np.diff(seconds) == 0) & (np.diff(who) == 0)])
    rejected += _rejected(
        path,
        " ".join(ats),
        frame[ats],
        _mask(len(frame), order[again]),
        "must rise: this unit has a row of that instant",
    )
    order, who, seconds = order[~again], who[~again], seconds[~again]
    found = _runs(who, seconds, watts[order], threshold_w, path)
    table = _table(names.iloc[order].to_numpy(object), time[order], celsius[order], found)
    return table, sorted(rejected, key=lambda r: r.line)


def _runs(who: Index, seconds: Array, watts: Array, threshold_w: float, path: str) -> dict[str, np.ndarray]:
    """Find the starts in sorted samples: the row of each, and what is known of it."""
    same = np.diff(who) == 0
    step = _steps(who, seconds, same, path)
    whole = np.concatenate([[False], same & (np.diff(seconds) <= GAP_STEPS * step[1:])])
    on = watts >= threshold_w
    was_on = np.concatenate([[False], on[:-1]])
    begins = np.flatnonzero(on & (~was_on | ~whole))  # a period of power begins, seen (a start) or not
    seen = whole[begins]
    # It ends before the first row that is off, or that does not follow on.
    breaks = np.flatnonzero(~on | ~whole)
    end = np.append(breaks, on.size)[np.searchsorted(breaks, begins, side="right")]
    stop_seen = np.append(whole, False)[end]
    stretch = np.cumsum(~whole)
    stop_s = np.where(stop_seen, np.append(seconds, np.nan)[end], np.nan)
    before = np.concatenate([[False], np.diff(stretch[begins]) == 0])
    off_s = np.where(before, seconds[begins] - np.roll(stop_s, 1), np.nan)
    lasted_s = np.where(stop_seen & seen, stop_s - seconds[begins], np.nan)
    ran_s = np.where(before, np.roll(lasted_s, 1), np.nan)
    # Median power of each period once it has settled, and of all of it.
    period = np.cumsum(_mask(on.size, begins)) - 1
    settled = on & (seconds >= (seconds[begins][period] if begins.size else seconds) + SETTLE_S)
    run_w = pd.Series(watts[settled]).groupby(period[settled]).median().reindex(range(begins.size)).to_numpy()
    middle_w = pd.Series(watts[on]).groupby(period[on]).median().reindex(range(begins.size)).to_numpy()
    usual_w = pd.Series(watts[settled]).groupby(who[settled]).quantile(0.95)
    surge_w = SURGE * usual_w.reindex(who[begins]).to_numpy()
    surged = middle_w >= surge_w
    long_enough = np.fmax(lasted_s, step[begins]) >= TOLD_S
    ran = ~np.isnan(run_w) | (long_enough & (middle_w < surge_w))
    outcome = np.where(surged & stop_seen, "locked", np.where(ran & ~surged, "ran", None))  # type: ignore[call-overload]
    run_w = np.where(outcome == "ran", run_w, np.nan)
    found = {"row": begins, "off_s": off_s, "ran_s": ran_s, "run_w": run_w, "outcome": outcome}
    return {name: values[seen] for name, values in found.items()}


def _steps(who: Index, seconds: Array, same: NDArray[np.bool_], path: str) -> Array:
    """Return each row's usual distance to the next of its unit, seconds."""
    apart = pd.Series(np.diff(seconds)[same]).groupby(who[1:][same]).median()
    slow = apart[apart > SLOWEST_S]
    if len(slow):
        raise BadInputError(
            f"{path}: rows are {slow.iloc[0]:g} s apart; starts can be counted in a log of one row a minute or faster"
        )
    return np.asarray(apart.reindex(who).fillna(SLOWEST_S), dtype=np.float64)


def _table(names: np.ndarray, time: np.ndarray, celsius: Array, found: dict[str, np.ndarray]) -> pd.DataFrame:
    row = found.pop("row")
    at = time[row]
    return frames.frame(
        "starts",
        {
            "unit": names[row],
            "seq": at.astype("datetime64[s]").astype(np.int64),
            "at": at,
            "outdoor_c": celsius[row],
            **found,
        },
        [f'{{"source":"{POWER_LOG}"}}'] * row.size,
    )


def _numbers(values: pd.Series, low: float, high: float, *, empty_is_bad: bool) -> tuple[Array, NDArray[np.bool_]]:
    """Return numbers, NaN where there is none, and which of them are bad."""
    numbers = pd.to_numeric(values, errors="coerce").to_numpy(np.float64, na_value=np.nan)
    usable = np.isfinite(numbers) & (numbers >= low) & (numbers <= high)
    empty = (values.isna() | (values.astype("string").str.strip() == "").fillna(True)).to_numpy(bool)
    return np.where(usable, numbers, np.nan), ~usable & (empty_is_bad | ~empty)


def _rejected(
    path: str, field: str, values: pd.Series | pd.DataFrame, bad: NDArray[np.bool_], text: str
) -> list[Rejected]:
    out = []
    for row in np.flatnonzero(bad).tolist():
        cells = np.atleast_1d(np.asarray(values.iloc[row], dtype=object))
        shown = " ".join("" if pd.isna(cell) else str(cell) for cell in cells).strip()
        out.append(Rejected(path, row + 2, field, f"{text}, not '{shown}'" if shown else text))  # the header is line 1
    return out


def _require(frame: pd.DataFrame, columns: Sequence[str], path: str) -> None:
    for name in columns:
        if name not in frame.columns:
            raise BadInputError(f"{path}: no column '{name}'; it has {', '.join(map(str, frame.columns))}")


def _of(at_format: str | None) -> str:
    return f" as {at_format}" if at_format else ""


def _mask(size: int, rows: np.ndarray) -> NDArray[np.bool_]:
    mask = np.zeros(size, dtype=bool)
    mask[rows] = True
    return mask
