"""Simpler methods for the scorecard to be judged against: thresholds, a control chart, chance.

All work on figures by unit and day, one row a *segment*: the time of a unit between visits after which its history
begins anew. Each gives a score by day; `analytics.scoring.alarms` turns scores into alarms, for all methods alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics import charts
from analytics.scoring.folder import Known
from analytics.tables import RAN

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEARN_D = 30
"""Active days from which a unit's own limits are taken."""
LEAST_D = 10
EWMA_WEIGHT = 0.2
"""Weight of the newest day (NIST/SEMATECH e-Handbook 6.3.2.4: usually 0.2 to 0.3)."""
ALLOWANCE = 0.5
"""Slack of the cumulative sum in standard deviations: half of a shift of one."""


@dataclass(frozen=True)
class Daily:
    """Raw run-up time by segment and day, NaN without starts: mean, largest and median [s], and its unit and span."""

    unit: Ints
    begin: Ints
    end: Ints
    mean_s: Floats
    largest_s: Floats
    median_s: Floats


def segments(known: Known) -> tuple[Ints, Ints, Ints]:
    """Return unit, first day and day after the last of each segment."""
    unit, begin, end = [], [], []
    for u in range(known.fleet.size):
        cuts = np.flatnonzero(known.restart[u])
        edges = [0, *cuts.tolist(), known.days]
        for a, b in pairwise(edges):
            if b > a:
                unit.append(u)
                begin.append(a)
                end.append(b)
    return np.array(unit, np.int64), np.array(begin, np.int64), np.array(end, np.int64)


def daily(known: Known) -> Daily:
    """Return a fleet's raw run-up times by segment and day."""
    starts = known.fleet.starts
    run_up = starts.measured["run_up_s"].astype(np.float64)
    timed = (starts.outcome == RAN) & (run_up > 0)
    cell = starts.unit[timed] * known.days + starts.day[timed] - known.first_day
    told = pd.Series(run_up[timed]).groupby(cell).agg(["mean", "max", "median"])
    unit, begin, end = segments(known)
    figures = []
    for name in ("mean", "max", "median"):
        flat = np.full(known.fleet.size * known.days, np.nan)
        flat[told.index.to_numpy()] = told[name]
        figures.append(within(flat.reshape(-1, known.days)[unit], begin, end))
    return Daily(unit, begin, end, *figures)


def within(rows: Floats, begin: Ints, end: Ints) -> Floats:
    """Return rows with NaN outside of their spans of days."""
    day = np.arange(rows.shape[1])
    return np.where((day >= begin[:, None]) & (day < end[:, None]), rows, np.nan)


def by_unit(score: Floats, unit: Ints, begin: Ints, end: Ints, units: int) -> Floats:
    """Return segments' scores as units': each day has that of the segment it lies in; a new one begins with 0."""
    out = np.full((units, score.shape[1]), np.nan)
    for row, (u, a, b) in enumerate(zip(unit.tolist(), begin.tolist(), end.tolist(), strict=True)):
        out[u, a:b] = score[row, a:b]
        if np.isnan(out[u, a]):
            out[u, a] = 0.0
    return out


def fixed_mean(days: Daily) -> Floats:
    """Return the score of a fixed threshold on the daily mean: the mean itself [s]."""
    return days.mean_s


def fixed_largest(days: Daily) -> Floats:
    """Return the score of a fixed threshold on the daily largest: that itself [s]."""
    return days.largest_s


def learned(rows: Floats) -> tuple[Floats, Floats, Bools]:
    """Return mean and standard deviation of each row's first ``LEARN_D`` active days, and which days come later."""
    active = np.isfinite(rows)
    number = np.cumsum(active, axis=1)
    early = active & (number <= LEARN_D)
    count = np.maximum(early.sum(axis=1), 1)
    mean = np.where(early, rows, 0.0).sum(axis=1) / count
    square = np.where(early, (rows - mean[:, None]) ** 2, 0.0).sum(axis=1)
    sd = np.where(count >= LEAST_D, np.sqrt(square / np.maximum(count - 1, 1)), np.inf)
    return mean, np.maximum(sd, 1e-3), active & (number > LEARN_D)


def ewma(rows: Floats, weight: float = EWMA_WEIGHT) -> Floats:
    """Return the control chart of exponentially weighted means over their limits, in standard deviations.

    Parameters
    ----------
    rows : (segments, days), such as the daily mean of ln run-up; the first thirty active days give the limits
    weight : of the newest day

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, EWMA control charts.
    """
    mean, sd, later = learned(rows)
    with np.errstate(invalid="ignore"):  # a row of too few days has no limits
        z, upper, _ = charts.ewma(np.where(later, rows, np.nan), weight, mean, sd, 1.0, settled=False)
        over = np.maximum((z - mean[:, None]) / (upper - mean[:, None]), 0.0)
    return np.where(later, over, np.nan)


def cusum(rows: Floats, allowance: float = ALLOWANCE) -> Floats:
    """Return the one-sided cumulative sum of standardised rows; see `learned`.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3, CUSUM control charts.
    """
    mean, sd, later = learned(rows)
    standard = (np.where(later, rows, np.nan) - mean[:, None]) / sd[:, None]
    return np.where(later, charts.cusum(standard, 0.0, allowance)[0], np.nan)


def chance(shape: tuple[int, int], seed: int) -> Floats:
    """Return scores that know nothing."""
    return np.random.default_rng(seed).random(shape)
