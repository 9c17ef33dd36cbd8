"""How likely a compressor's first attempt is to lock, given how hard it starts.

Two ways to lock, for the whole fleet: by hardness, a logistic regression on the run-up time to be expected and on the
conditions under a Gaussian prior that holds it in place while the fleet has few locked starts [1]_; and by chance, the
same for every start (a dip just then, a bouncing contact). They are told apart by expectation-maximisation [2]_.

References
----------
.. [1] Bishop, Pattern Recognition and Machine Learning, section 4.3.3 (iterative reweighted least squares) and 4.5.
.. [2] Dempster, Laird & Rubin (1977), J. Royal Statistical Society B 39, 1-38, section 4.3 (finite mixtures).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from analytics import features
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAMES = ("one", "level", "level_slow", "volts", "rest_4min", "rest_12min", "cold", "soak")
WIDTH, LEVEL = len(NAMES), 1
SLOW_FROM = -1.2
"""ln run-up (0.3 s) from which slowness counts more than in proportion."""
MEAN = np.array([-1.2, 5.0, 0.0, 0.0, 0.3, 0.3, 0.3, 0.3])
"""Before data: one in 10,000 at 0.2 s, three in 1,000 at 0.4 s. An assumption, soon overruled by the fleet."""
SD = np.array([2.0, 1.5, 1.0, 0.5, 1.0, 1.0, 1.0, 1.0])
SMALLEST, LARGEST = 1e-9, 0.9
CHANCE = (2.0, 20_000.0)
"""Locked starts by chance and starts that its rate is held to before data: one in 10,000, an assumption."""
THIN = 16
"""One in this many healthy first attempts is kept for the fit, with this weight."""
KEEP = 60_000


@dataclass
class Hazard:
    """Coefficients, the rate of chance, and the sample that they are fitted to."""

    coefficients: Floats
    chance: float
    x: Floats
    y: Floats
    weight: Floats


def begin() -> Hazard:
    """Return the hazard before any start."""
    return Hazard(MEAN.copy(), CHANCE[0] / CHANCE[1], np.zeros((0, WIDTH)), np.zeros(0), np.zeros(0))


def design(level: Floats, conditions: Floats) -> Floats:
    """Return the regression's rows: ``level`` is the expected ln run-up, ``conditions`` the features of the starts."""
    out = np.empty((len(level), WIDTH))
    out[:, 0] = 1.0
    out[:, 1] = level
    out[:, 2] = np.maximum(level - SLOW_FROM, 0.0) ** 2
    for column, source in enumerate((features.VOLTS, features.REST, features.REST_SLOW, features.COLD, features.SOAK)):
        out[:, 3 + column] = conditions[:, source]
    return out


def probability(hazard: Hazard, x: Floats) -> Floats:
    """Return the probability that a first attempt locks, by hardness or by chance."""
    return np.minimum(by_hardness(hazard, x) + hazard.chance, LARGEST)


def by_hardness(hazard: Hazard, x: Floats) -> Floats:
    """Return the probability that a first attempt locks because it is hard."""
    return np.asarray(np.clip(expit(x @ hazard.coefficients), SMALLEST, LARGEST))


def under_weather(hazard: Hazard, level: Floats, still: Floats, cold: Floats, soak: Floats) -> Floats:
    """Return the probability of locking by hardness of the same starts under several weathers.

    Parameters
    ----------
    level, cold, soak : (..., weathers) expected ln run-up and the weather terms under each
    still : (..., p) features of the starts, of which the weather terms are not looked at
    """
    c = hazard.coefficients
    same = c[0] + still[..., features.VOLTS] * c[3] + still[..., features.REST] * c[4]
    same = same + still[..., features.REST_SLOW] * c[5]
    slow = np.maximum(level - SLOW_FROM, 0.0)
    eta = same[..., None] + c[1] * level + c[2] * slow * slow + c[6] * cold + c[7] * soak
    return np.asarray(np.clip(expit(eta), SMALLEST, LARGEST))


def take(hazard: Hazard, x: Floats, locked: Bools, seq: Ints, use: Bools) -> None:
    """Keep a day's first attempts for the next fit: every locked one, and one in ``THIN`` of the others."""
    kept = use & (locked | (((seq * 2654435761) >> 8) % THIN == 0))
    if not kept.any():
        return
    hazard.x = np.concatenate([hazard.x, x[kept]])
    hazard.y = np.concatenate([hazard.y, locked[kept].astype(float)])
    hazard.weight = np.concatenate([hazard.weight, np.where(locked[kept], 1.0, THIN)])
    if len(hazard.y) > KEEP:
        # Half of the ordinary ones go, the oldest and newest alike; those that stay stand for two.
        plain = np.flatnonzero(hazard.y == 0)
        drop = plain[::2]
        hazard.weight[plain[1::2]] *= 2.0
        keep = np.ones(len(hazard.y), dtype=bool)
        keep[drop] = False
        hazard.x, hazard.y, hazard.weight = hazard.x[keep], hazard.y[keep], hazard.weight[keep]


def solve(
    x: Floats, y: Floats, weight: Floats, mean: Floats, sd: Floats, start: Floats | None = None, rounds: int = 30
) -> Floats:
    """Return the posterior mode of a weighted logistic regression under an independent Gaussian prior.

    Parameters
    ----------
    x : (n, p); y : (n,) 0 to 1; weight : (n,); mean, sd : (p,) of the prior
    """
    hold = np.diag(1.0 / sd**2)
    b = mean.copy() if start is None else start.copy()

    def loss(c: Floats) -> float:
        eta = x @ c
        return float(np.sum(weight * (np.logaddexp(0.0, eta) - y * eta)) + 0.5 * (c - mean) @ hold @ (c - mean))

    now = loss(b)
    for _ in range(rounds):
        p = expit(x @ b)
        gradient = x.T @ (weight * (p - y)) + hold @ (b - mean)
        curvature = x.T @ (x * (weight * p * (1.0 - p))[:, None]) + hold
        step = np.linalg.solve(curvature, gradient)
        size = 1.0
        while size > 1e-4 and (after := loss(b - size * step)) > now:
            size /= 2.0
        if size <= 1e-4:
            break
        b = b - size * step
        if now - after < 1e-9 * (1.0 + abs(now)):
            break
        now = after
    return b


def fit(hazard: Hazard, rounds: int = 8) -> None:
    """Fit the coefficients and the rate of chance anew to the sample kept."""
    if len(hazard.y) == 0:
        return
    total = float(hazard.weight.sum())
    is_locked = hazard.y > 0
    for _ in range(rounds):
        hard = by_hardness(hazard, hazard.x[is_locked])
        share = hard / (hard + hazard.chance)
        y = np.zeros(len(hazard.y))
        y[is_locked] = share
        hazard.chance = (CHANCE[0] + float(np.sum(1.0 - share))) / (CHANCE[1] + total)
        hazard.coefficients = solve(hazard.x, y, hazard.weight, MEAN, SD, start=hazard.coefficients, rounds=4)
