"""Rivals of the scorecard that fit conditions: a robust regression a unit, gradient boosting for the whole fleet."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import HuberRegressor

from analytics import features
from analytics.scoring import rivals
from analytics.scoring.folder import Known
from analytics.tables import RAN

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

RIDGE = 1.0
LEAST_STARTS = 30
SAMPLE = 150_000
"""Starts of a fleet that boosting is fitted to."""


@dataclass(frozen=True)
class Timed:
    """Timed starts by segment and day: segment, day, conditions (n, p) and ln run-up; and the segments themselves."""

    segment: Ints
    day: Ints
    x: Floats
    y: Floats
    unit: Ints
    begin: Ints
    end: Ints
    early: Bools
    days: int


def timed(known: Known) -> Timed:
    """Return the timed starts of a fleet with the conditions that the program's own baseline uses."""
    starts = known.fleet.starts
    run_up = starts.measured["run_up_s"].astype(np.float64)
    rows = np.flatnonzero((starts.outcome == RAN) & (run_up > 0))
    unit, day = starts.unit[rows], starts.day[rows] - known.first_day
    field = {n: starts.measured[n][rows].astype(np.float64) for n in ("off_s", "outdoor_c", "line_v", "close_deg")}
    x = features.conditions(**field, reference_v=known.fleet.reference_v[unit])
    of_unit, begin, end = rivals.segments(known)
    first = np.searchsorted(of_unit, np.arange(known.fleet.size))
    # Segments of a unit follow one another, each from the day of a visit on.
    turn: Ints = np.cumsum(known.restart, axis=1) - known.restart[:, :1]
    segment = first[unit] + turn[unit, day]
    order = np.lexsort((day, segment))
    segment, day = segment[order], day[order]
    early = _early(segment, day, len(of_unit), known.days)
    return Timed(segment, day, x[order], np.log(run_up[rows][order]), of_unit, begin, end, early, known.days)


def _early(segment: Ints, day: Ints, segments: int, days: int) -> Bools:
    """Return which starts lie within the first active days of their segment."""
    active = np.zeros((segments, days), bool)
    active[segment, day] = True
    number = np.cumsum(active, axis=1)
    return np.asarray(number[segment, day] <= rivals.LEARN_D)


def daily_mean(told: Timed, values: Floats) -> Floats:
    """Return the mean of values by segment and day, NaN without starts."""
    cell = told.segment * told.days + told.day
    size = len(told.unit) * told.days
    count = np.bincount(cell, minlength=size)
    total = np.bincount(cell, values, size)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).reshape(-1, told.days)


def robust_cusum(told: Timed) -> Floats:
    """Return the CUSUM of daily residuals of each unit's own robust regression on its first thirty active days.

    References
    ----------
    .. [1] Huber & Ronchetti, Robust Statistics, 2nd ed., section 7.3 (M-estimates of regression).
    """
    residual = np.full(len(told.y), np.nan)
    edges = np.searchsorted(told.segment, np.arange(len(told.unit) + 1))
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        learn = np.flatnonzero(told.early[a:b]) + a
        if len(learn) < LEAST_STARTS:
            continue
        x = told.x[:, 1:]
        spread = np.maximum(x[learn].std(axis=0), 1e-3)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            model = HuberRegressor(alpha=RIDGE, max_iter=60).fit(x[learn] / spread, told.y[learn])
        residual[a:b] = told.y[a:b] - model.predict(x[a:b] / spread)
    good = np.isfinite(residual)
    rows = daily_mean(told, np.where(good, residual, 0.0))
    fitted = np.isin(np.arange(len(told.unit)), told.segment[good])
    return rivals.cusum(np.where(fitted[:, None], rows, np.nan))


@dataclass(frozen=True)
class Sample:
    """Conditions with the unit's class, and ln run-up less the unit's own mean."""

    x: Floats
    y: Floats


def sample(told: Timed, known: Known, seed: int = 1) -> Sample:
    """Return some starts of a fleet to fit boosting to; whether their units were sound is not told."""
    pick = np.random.default_rng(seed).permutation(len(told.y))[:SAMPLE]
    mean = _offset(told, told.y, np.ones(len(told.y), bool))
    return Sample(_with_class(told, known)[pick], (told.y - mean[told.segment])[pick])


def _with_class(told: Timed, known: Known) -> Floats:
    unit = told.unit[told.segment]
    return np.column_stack([told.x[:, 1:], known.fleet.metering[unit], known.fleet.gear[unit]])


def _offset(told: Timed, values: Floats, use: Bools) -> Floats:
    """Return the mean of values by segment over the starts in use, 0 where there are none."""
    count = np.bincount(told.segment[use], minlength=len(told.unit))
    return np.bincount(told.segment[use], values[use], len(told.unit)) / np.maximum(count, 1)


def boosted(samples: list[Sample], rounds: int = 150) -> Any:  # noqa: ANN401 - the library has no types
    """Return gradient boosting fitted to samples of fleets."""
    model = HistGradientBoostingRegressor(max_iter=rounds, learning_rate=0.1, max_leaf_nodes=31, random_state=1)
    return model.fit(np.concatenate([s.x for s in samples]), np.concatenate([s.y for s in samples]))


def boosting(told: Timed, known: Known, model: Any) -> Floats:  # noqa: ANN401 - the library has no types
    """Return the EWMA chart of daily residuals to a boosted model with each unit's own offset."""
    residual = told.y - model.predict(_with_class(told, known))
    residual -= _offset(told, residual, told.early)[told.segment]
    return rivals.ewma(daily_mean(told, residual))
