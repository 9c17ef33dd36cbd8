"""From a score by unit and day to alarms, and from alarms to false ones, delays and shares.

Every method is treated alike: an alarm rises where its score passes a threshold from below, and stands until a visit or
until the score has been below half of the threshold for a week.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.options import DAY_US
from analytics.scoring.folder import NEVER, Bools, Known

Floats = NDArray[np.float64]

CALM_DAYS = 7
UNIT_YEAR_D = 365.25
CANDIDATES = 60
RESAMPLES = 500


def rises(score: Floats, visit: Bools, threshold: Floats | float) -> Bools:
    """Return where alarms rise.

    Parameters
    ----------
    score : (units, days); NaN where nothing new is known, and the score before still holds
    visit : (units, days) whether a visit fell on the day: it takes an alarm back
    threshold : one, or (k,) of them

    Returns
    -------
    array of bool, (units, days) or (k, units, days)
    """
    h = np.atleast_1d(np.asarray(threshold, dtype=np.float64))[:, None]
    out = np.zeros((len(h), *score.shape), dtype=bool)
    last = np.zeros(score.shape[0])
    above, alarm = np.zeros((len(h), len(last)), dtype=bool), np.zeros((len(h), len(last)), dtype=bool)
    calm = np.zeros((len(h), len(last)), dtype=np.int64)
    for d in range(score.shape[1]):
        last = np.where(np.isnan(score[:, d]), last, score[:, d])
        now = last > h
        alarm &= ~visit[:, d]
        out[:, :, d] = now & ~above & ~alarm
        alarm |= out[:, :, d]
        calm = np.where(last < h / 2, calm + 1, 0)
        alarm &= calm < CALM_DAYS
        above = now
    return out[0] if np.ndim(threshold) == 0 else out


def edges(standing: Bools) -> Bools:
    """Return where alarms that are told as standing or not, (units, days), rise."""
    before = np.zeros_like(standing)
    before[:, 1:] = standing[:, :-1]
    return standing & ~before


def false_rate(risen: Bools, sound: Bools) -> float:
    """Return false alarms a unit-year; NaN without sound days."""
    years = sound.sum() / UNIT_YEAR_D
    return float((risen & sound).sum() / years) if years else float("nan")


def matched(scores: list[tuple[Floats, Known]], budget: float) -> float:
    """Return the lowest threshold at which the false alarms of all fleets together keep to a budget a unit-year."""
    sound = np.concatenate([score[known.sound] for score, known in scores])
    sound = sound[np.isfinite(sound)]
    if not len(sound):
        return float("inf")
    # The alarms allowed are few among the days: only the uppermost scores can be the threshold.
    shares = 1.0 - np.geomspace(0.2, 2.0 / (len(sound) + 2.0), CANDIDATES)
    ladder = np.unique(np.append(np.quantile(sound, shares), sound.max()))
    count, years = np.zeros(len(ladder)), 0.0
    for score, known in scores:
        count += (rises(score, known.visit, ladder) & known.sound).sum(axis=(1, 2))
        years += known.sound.sum() / UNIT_YEAR_D
    over = np.flatnonzero(count / max(years, 1e-9) > budget)
    # From the lowest threshold above which the budget is kept throughout.
    place = int(over[-1]) + 1 if len(over) else 0
    return float(ladder[min(place, len(ladder) - 1)])


@dataclass(frozen=True)
class Found:
    """How each fault of a fleet was found, one entry a faulty unit: ``delay_d`` infinite where it never was.

    ``before`` whether before the first lockout; NaN where there was none. ``figures`` whether the unit has voltages and
    running figures.
    """

    delay_d: Floats
    before: Floats
    cause: NDArray[np.int64]
    figures: Bools


def found(risen: Bools, known: Known) -> Found:
    """Return how the faults of a fleet were found by alarms that rose between onset and repair."""
    units = np.flatnonzero(known.cause >= 0)
    ends = known.ends
    active = (ends > known.onset[units, None]) & (ends <= known.fixed[units, None])
    hit = risen[units] & active
    at = np.where(hit.any(axis=1), ends[np.argmax(hit, axis=1)], NEVER)
    delay = np.where(at < NEVER, (at - known.onset[units]) / DAY_US, np.inf)
    locked = known.lockout[units]
    before = np.where(locked < NEVER, (at <= locked).astype(float), np.nan)
    return Found(delay, before, known.cause[units], known.figures[units])


def together(parts: list[Found]) -> Found:
    """Return the faults of several fleets as one."""
    return Found(
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("delay_d", "before", "cause", "figures"))
    )


def median_ratio(ours: Floats, theirs: Floats, seed: int = 1) -> tuple[float, float, float]:
    """Return the ratio of median delays of the same faults and its 90 % bootstrap interval over faults.

    References
    ----------
    .. [1] Efron & Tibshirani, An Introduction to the Bootstrap, chapter 13 (percentile interval).
    """
    if not len(ours):
        return float("nan"), float("nan"), float("nan")
    pick = np.random.default_rng(seed).integers(0, len(ours), (RESAMPLES, len(ours)))
    with np.errstate(invalid="ignore"):
        drawn = _median(ours[pick]) / _median(theirs[pick])
        middle = float(_median(ours[None])[0] / _median(theirs[None])[0])
    low, high = np.nanquantile(np.where(np.isinf(drawn), 1e9, drawn), [0.05, 0.95]) if len(ours) else (np.nan, np.nan)
    return middle, float(low), float(high)


def _median(values: Floats) -> Floats:
    """Return the upper median along the last axis: infinite entries take part and are never averaged with others."""
    return np.asarray(np.sort(values, axis=-1)[..., values.shape[-1] // 2])


def middle_d(delay_d: Floats) -> float:
    """Return the median delay; infinite where most were not found."""
    return float(_median(delay_d[None])[0]) if len(delay_d) else float("nan")


def share_by(delay_d: Floats, days: Floats) -> Floats:
    """Return the share of faults found within so many days of their onset."""
    return np.asarray((delay_d[:, None] <= days).mean(axis=0)) if len(delay_d) else np.zeros(len(days))
