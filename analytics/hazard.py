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

from dataclasses import dataclass, field

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from analytics import features
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
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
    """Coefficients, the rate of chance, and the sample that they are fitted to; ``new`` came since the last fit."""

    coefficients: Floats
    chance: float
    x: Singles
    y: Floats
    weight: Floats
    new: list[tuple[Singles, Floats, Floats]] = field(default_factory=list)


def begin() -> Hazard:
    """Return the hazard before any start."""
    return Hazard(MEAN.copy(), CHANCE[0] / CHANCE[1], np.zeros((0, WIDTH), dtype=np.float32), np.zeros(0), np.zeros(0))


def design(level: Floats, conditions: Floats) -> Floats:
    """Return the regression's rows: ``level`` is the expected ln run-up, ``conditions`` the features of the starts."""
    out = np.empty((len(level), WIDTH))
    out[:, 0] = 1.0
    out[:, 1] = level
    out[:, 2] = np.maximum(level - SLOW_FROM, 0.0) ** 2
    for column, source in enumerate((features.VOLTS, features.REST, features.REST_SLOW, features.COLD, features.SOAK)):
        out[:, 3 + column] = conditions[:, source]
    return out


def by_hardness(hazard: Hazard, x: Reals) -> Floats:
    """Return the probability that a first attempt locks because it is hard."""
    return np.asarray(np.clip(expit(x @ hazard.coefficients), SMALLEST, LARGEST))


def before_and_now(hazard: Hazard, level: Floats, moved: Floats, conditions: Floats) -> tuple[Floats, Floats]:
    """Return the probability that each start locks by its unit's baseline, and as it is now that it has moved.

    Parameters
    ----------
    level, moved : (n,) expected ln run-up, and how much longer it takes now
    conditions : (n, p) features of the starts
    """
    return _before_and_now(hazard.coefficients, hazard.chance, level, moved, conditions)


@numba.njit(cache=True)
def _before_and_now(
    c: Floats, chance: float, level: Floats, moved: Floats, conditions: Floats
) -> tuple[Floats, Floats]:
    before, now = np.empty(len(level)), np.empty(len(level))
    for k in range(len(level)):
        same = (
            c[0]
            + c[3] * conditions[k, features.VOLTS]
            + c[4] * conditions[k, features.REST]
            + c[5] * conditions[k, features.REST_SLOW]
        )
        same += c[6] * conditions[k, features.COLD] + c[7] * conditions[k, features.SOAK]
        for out, at in ((before, level[k]), (now, level[k] + moved[k])):
            slow = max(at - SLOW_FROM, 0.0)
            p = 1.0 / (1.0 + np.exp(-(same + c[1] * at + c[2] * slow * slow)))
            out[k] = min(min(max(p, SMALLEST), LARGEST) + chance, LARGEST)
    return before, now


def under_weather(hazard: Hazard, level: Floats, met: Floats, lifted: Floats, cold: Floats, soak: Floats) -> Floats:
    """Return the probability of locking by hardness of the same starts under several weathers.

    Parameters
    ----------
    level, cold, soak : (..., weathers) expected ln run-up and the weather terms under each
    met : (..., p) features of the starts, of which the weather terms are not looked at
    lifted : (..., weathers) what each weather multiplies the rest terms by
    """
    c = hazard.coefficients
    same = c[0] + met[..., features.VOLTS] * c[3]
    rested = met[..., features.REST] * c[4] + met[..., features.REST_SLOW] * c[5]
    slow = np.maximum(level - SLOW_FROM, 0.0)
    eta = same[..., None] + rested[..., None] * lifted + c[1] * level + c[2] * slow * slow + c[6] * cold + c[7] * soak
    return np.asarray(np.clip(expit(eta), SMALLEST, LARGEST))


def take(hazard: Hazard, level: Floats, conditions: Floats, locked: Bools, seq: Ints, use: Bools) -> None:
    """Keep a day's first attempts for the next fit: every locked one, and one in ``THIN`` of the others.

    Parameters
    ----------
    level, conditions : (n,), (n, p) as for ``design``
    locked, seq, use : (n,) outcome, number, and which may be kept
    """
    kept = np.flatnonzero(use & (locked | (((seq * 2654435761) >> 8) % THIN == 0)))
    if not len(kept):
        return
    y = locked[kept].astype(float)
    x = design(level[kept], conditions[kept]).astype(np.float32)
    hazard.new.append((x, y, np.where(locked[kept], 1.0, THIN)))
    if len(hazard.y) + sum(len(part[1]) for part in hazard.new) > KEEP:
        _gather(hazard)
        # Half of the ordinary ones go, the oldest and newest alike; those that stay stand for two.
        plain = np.flatnonzero(hazard.y == 0)
        drop = plain[::2]
        hazard.weight[plain[1::2]] *= 2.0
        keep = np.ones(len(hazard.y), dtype=bool)
        keep[drop] = False
        hazard.x, hazard.y, hazard.weight = hazard.x[keep], hazard.y[keep], hazard.weight[keep]


def _gather(hazard: Hazard) -> None:
    """Put what has come since the last fit to the sample."""
    parts = [(hazard.x, hazard.y, hazard.weight), *hazard.new]
    hazard.x, hazard.y, hazard.weight = (np.concatenate([part[k] for part in parts]) for k in range(3))
    hazard.new = []


def solve(x: Reals, y: Floats, weight: Floats, mean: Floats, sd: Floats, rounds: int = 30) -> Floats:
    """Return the posterior mode of a weighted logistic regression under an independent Gaussian prior.

    Parameters
    ----------
    x : (n, p); y : (n,) 0 to 1; weight : (n,); mean, sd : (p,) of the prior
    """
    at = _without_any(x, weight, mean, sd, mean.copy())
    happened = np.flatnonzero(y > 0)
    for _ in range(rounds):
        before, at = at, _newton(at, x, weight, mean, sd, x[happened], (weight * y)[happened])
        if at is before:
            break
    return at.c


@dataclass(frozen=True)
class _Where:
    """Coefficients, and the negative log posterior there with its gradient and curvature, had no start locked.

    Those that have add a straight line to it, so that it need not be worked out again when their weights change.
    """

    c: Floats
    loss: float
    gradient: Floats
    curvature: Floats


def _without_any(x: Reals, weight: Floats, mean: Floats, sd: Floats, c: Floats) -> _Where:
    loss, gradient, curvature = _of_rows(x, weight, c)
    off = (c - mean) / sd
    return _Where(c, loss + 0.5 * float(off @ off), gradient + off / sd, curvature + np.diag(1.0 / sd**2))


def _newton(
    at: _Where, x: Reals, weight: Floats, mean: Floats, sd: Floats, locked: Reals, locked_weight: Floats
) -> _Where:
    """Return where a step of Newton's method leads, halved until it gains; the same place if none does."""
    line = locked.T.astype(np.float64) @ locked_weight
    slope = at.gradient - line
    step, now, size = np.linalg.solve(at.curvature, slope), at.loss - float(line @ at.c), 1.0
    if slope @ step < 1e-9 * (1.0 + abs(now)):
        return at
    while size > 1e-4:
        there = _without_any(x, weight, mean, sd, at.c - size * step)
        if there.loss - float(line @ there.c) <= now:
            return there
        size /= 2.0
    return at


@numba.njit(cache=True)
def _of_rows(x: Reals, weight: Floats, c: Floats) -> tuple[float, Floats, Floats]:
    """Return the negative log likelihood of rows of which none has locked, its gradient and its curvature."""
    count, p = x.shape
    loss, gradient, curvature, row = 0.0, np.zeros(p), np.zeros((p, p)), np.empty(p)
    for k in range(count):
        eta = 0.0
        for a in range(p):
            row[a] = x[k, a]
            eta += row[a] * c[a]
        small = np.exp(-abs(eta))
        chance = (1.0 if eta >= 0 else small) / (1.0 + small)
        loss += weight[k] * (max(eta, 0.0) + np.log1p(small))
        slope, bend = weight[k] * chance, weight[k] * chance * (1.0 - chance)
        for a in range(p):
            gradient[a] += slope * row[a]
            bent = bend * row[a]
            for b in range(p):
                curvature[a, b] += bent * row[b]
    return loss, gradient, curvature


def fit(hazard: Hazard, rounds: int = 10) -> None:
    """Fit the coefficients and the rate of chance anew to the sample kept.

    Each round takes one step towards the coefficients that the shares of hardness and chance of the last lead to.
    """
    _gather(hazard)
    if len(hazard.y) == 0:
        return
    total = float(hazard.weight.sum())
    is_locked = hazard.y > 0
    locked, weight = hazard.x[is_locked], hazard.weight[is_locked]
    at = _without_any(hazard.x, hazard.weight, MEAN, SD, hazard.coefficients)
    for _ in range(rounds):
        hard = by_hardness(hazard, locked)
        share = hard / (hard + hazard.chance)
        hazard.chance = (CHANCE[0] + float(np.sum(1.0 - share))) / (CHANCE[1] + total)
        at = _newton(at, hazard.x, hazard.weight, MEAN, SD, locked, weight * share)
        hazard.coefficients = at.c
