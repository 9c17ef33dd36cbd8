"""How much run-up times scatter from start to start: a curve over the expected level, learned within days.

A start near stalling scatters more than an easy one, and a start whose closing angle is not known scatters by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.tables import Ints

Floats = NDArray[np.float64]

LOW, HIGH, BINS = -3.2, 0.8, 20
"""Range of ln run-up (0.04 s to 2.2 s) in equal bins."""
SD_KNOWN, SD_UNKNOWN = 0.10, 0.17
"""Scatter before data: with the closing angle known, and without. Closing angle alone scatters single-phase starts by
about 16 % (computed with a published single-phase motor model; an assumption until starts are seen)."""
PRIOR_STARTS = 200.0
FARTHEST_SD = 4.0
"""Starts that are farther off count as if they were so far."""
STEP_S = 1.0 / 120.0
"""A run-up time read from half-cycle values comes in steps of half a cycle."""


@dataclass
class Noise:
    """Sums of squared deviations and counts, (2, bins), and the fitted log variances, (2, 3): angle unknown, known."""

    square: Floats
    count: Floats
    curve: Floats


def begin() -> Noise:
    """Return the scatter before data."""
    curve = np.zeros((2, 3))
    curve[:, 0] = 2.0 * np.log([SD_UNKNOWN, SD_KNOWN])
    return Noise(np.zeros((2, BINS)), np.zeros((2, BINS)), curve)


def take(
    noise: Noise, unit: Ints, y: Floats, level: Floats, moved: Floats, unsure: Floats, angled: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Take in a day's starts, which stand by unit; return them without outliers, and their variance.

    Only deviations from the unit's mean of that day are learned from.

    Parameters
    ----------
    y, level : (n,) ln run-up as it was, NaN where there is none, and as the baseline expects it
    moved, unsure : (units,) how far a unit lately stands off its baseline, and the variance of that; an outlier is one
        from there, for after a visit starts that are as slow as before must not be taken for outliers of a mended unit
    angled : (n,) whether the closing angle is known
    """
    return _take(noise.square, noise.count, noise.curve, unit, y, level, moved, unsure, angled)


@numba.njit(cache=True)
def _take(
    square: Floats,
    count: Floats,
    curve: Floats,
    unit: Ints,
    y: Floats,
    level: Floats,
    moved: Floats,
    unsure: Floats,
    angled: NDArray[np.bool_],
) -> tuple[Floats, Floats]:
    held, variance = np.full(len(y), np.nan), np.ones(len(y))
    begin, total, many = 0, 0.0, 0
    for k in range(len(y)):
        u = unit[k]
        if not np.isnan(y[k]):
            centre = level[k] + moved[u]
            variance[k] = _variance(curve, 1 if angled[k] else 0, min(max(centre, LOW), HIGH))
            width = FARTHEST_SD * np.sqrt(variance[k] + unsure[u])
            held[k] = min(max(y[k], centre - width), centre + width)
            total += held[k] - level[k]
            many += 1
        if k + 1 == len(y) or unit[k + 1] != u:
            if many > 1:
                for i in range(begin, k + 1):
                    if not np.isnan(y[i]):
                        off = held[i] - level[i] - total / many
                        bin_ = int(min(max((level[i] + moved[u] - LOW) / (HIGH - LOW) * BINS, 0.0), BINS - 1.0))
                        group = 1 if angled[i] else 0
                        square[group, bin_] += min(off * off, 9.0 * variance[i]) * many / (many - 1)
                        count[group, bin_] += 1.0
            begin, total, many = k + 1, 0.0, 0
    return held, variance


@numba.njit(cache=True)
def _variance(curve: Floats, group: int, level: float) -> float:
    """Return the variance of ln run-up of a single start at an expected ln run-up ``level``."""
    log = curve[group, 0] + curve[group, 1] * (level + 1.6) + curve[group, 2] * (level + 1.6) ** 2
    return float(np.exp(min(max(log, -7.0), 0.0)) + STEP_S**2 / 12.0 * np.exp(-2.0 * level))


def fit(noise: Noise) -> None:
    """Fit the curves to the bins, held to the scatter before data by a few hundred starts."""
    centre = LOW + (np.arange(BINS) + 0.5) * (HIGH - LOW) / BINS + 1.6
    design = np.column_stack([np.ones(BINS), centre, centre**2])
    for group, sd in enumerate((SD_UNKNOWN, SD_KNOWN)):
        count = noise.count[group]
        good = count >= 20
        quantised = STEP_S**2 / 12.0 * np.exp(-2.0 * (centre - 1.6))
        value = np.maximum(noise.square[group] / np.maximum(count, 1) - quantised, 1e-4)
        w = np.where(good, np.minimum(count, 50_000.0), 0.0)
        hold = np.diag([PRIOR_STARTS, PRIOR_STARTS, PRIOR_STARTS])
        start = np.array([2.0 * np.log(sd), 0.0, 0.0])
        normal = design.T @ (design * w[:, None]) + hold
        noise.curve[group] = np.linalg.solve(normal, design.T @ (w * np.log(value)) + hold @ start)
