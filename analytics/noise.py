"""How much run-up times scatter from start to start: a curve over the expected level, learned within days.

A start near stalling scatters more than an easy one, and a start whose closing angle is not known scatters by it.
"""

from __future__ import annotations

from dataclasses import dataclass

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


def variance(noise: Noise, level: Floats, angled: NDArray[np.bool_]) -> Floats:
    """Return the variance of ln run-up of single starts at an expected ln run-up ``level``."""
    curve = noise.curve[angled.astype(np.int64)]
    t = np.clip(level, LOW, HIGH) + 1.6
    log = curve[:, 0] + curve[:, 1] * t + curve[:, 2] * t * t
    return np.asarray(np.exp(np.clip(log, -7.0, 0.0)) + STEP_S**2 / 12.0 * np.exp(-2.0 * np.clip(level, LOW, HIGH)))


def take(noise: Noise, unit: Ints, residual: Floats, level: Floats, sd: Floats, angled: NDArray[np.bool_]) -> None:
    """Add the deviations of a day's starts from their unit's mean of that day; starts stand by unit."""
    if len(unit) == 0:
        return
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    size = np.diff(np.append(starts, len(unit)))
    mean = np.add.reduceat(residual, starts) / size
    many = np.repeat(size, size)
    deviation = residual - np.repeat(mean, size)
    square = np.minimum(deviation**2, 9.0 * sd**2) * np.where(many > 1, many / np.maximum(many - 1, 1), 0.0)
    place = np.clip((level - LOW) / (HIGH - LOW) * BINS, 0, BINS - 1).astype(np.int64) + BINS * angled
    use = many > 1
    noise.square += np.bincount(place[use], square[use], minlength=2 * BINS).reshape(2, BINS)
    noise.count += np.bincount(place[use], minlength=2 * BINS).reshape(2, BINS)


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
