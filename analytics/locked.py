"""Does a unit lock more often than the conditions explain? Expected against seen, a sequential test, and since when.

References
----------
.. [1] Reynolds & Stoumbos (1999), A CUSUM chart for monitoring a proportion, J. Quality Technology 31, 87-108.
.. [2] Garwood (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437-442; here as gamma quantiles
   under the half-event prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from analytics.options import Options
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WEEK_D, WEEKS = 7, 5
"""Weeks that are counted one by one, the present one among them: the last 28 to 34 days."""
FOLD = 20.0
"""The sequential test looks for a rate this many times the expected, which is as many times higher for a unit as it
has shown in the past, before those weeks."""
CLUES_HALF_LIFE_D = 28
RETRY_LOCKS_WELL, RETRY_LOCKS_ILL = 0.02, 0.5
"""Chance that a retry locks after a first attempt that locked: of a sound unit, and of one that cannot start."""
HALF = 0.5
CLUES = 7
"""Hypotheses that the conditions of locked starts speak for or against."""
N, SEEN, EXPECTED, EXPECTED_NOW, RETRIES = range(5)


@dataclass
class Rate:
    """Counts of the last weeks, (units, 5, 5), totals older than that, and the test; one entry a unit.

    Half precision holds 2,048 starts of a week exactly, and the expected ones to a part in 2,000. ``score_from`` and
    ``since_day`` are days since 1970, 0 for none.
    """

    weeks: NDArray[np.float16]
    old: NDArray[np.float32]
    starts: NDArray[np.int32]
    score: NDArray[np.float32]
    score_from: NDArray[np.uint16]
    alarm: Bools
    since_day: NDArray[np.uint16]
    clues: NDArray[np.float16]


def begin(units: int) -> Rate:
    """Return the state before the first start."""
    return Rate(
        weeks=np.zeros((units, WEEKS, 5), dtype=np.float16),
        old=np.zeros((units, 2), dtype=np.float32),
        starts=np.zeros(units, dtype=np.int32),
        score=np.zeros(units, dtype=np.float32),
        score_from=np.zeros(units, dtype=np.uint16),
        alarm=np.zeros(units, dtype=bool),
        since_day=np.zeros(units, dtype=np.uint16),
        clues=np.zeros((units, CLUES), dtype=np.float16),
    )


def turn(state: Rate, day: int) -> None:
    """Begin a day: as a week begins, the oldest leaves the window."""
    if day % WEEK_D == 0:
        slot = _slot(day)
        state.old += state.weeks[:, slot, SEEN : EXPECTED + 1]
        state.weeks[:, slot] = 0.0
    state.clues *= 2.0 ** (-1.0 / CLUES_HALF_LIFE_D)


def _slot(day: int) -> int:
    return day // WEEK_D % WEEKS


def window(state: Rate) -> Floats:
    """Return the counts of the last weeks together, (units, 5)."""
    return np.asarray(state.weeks.sum(axis=1, dtype=np.float64))


def take(state: Rate, day: int, unit: Ints, locked: Bools, first: Bools, p: Floats, p_now: Floats, use: Bools) -> None:
    """Add a span of starts, which stand by unit, to the counts, and to the test for the units in use.

    Parameters
    ----------
    p, p_now : probability that the start locks by the unit's baseline, and with its present drift
    use : (units,) whether the unit has a baseline
    """
    u, starts, sums = _take(day, unit, locked, first, p, p_now, state.old, state.score, state.score_from)
    state.weeks[u, _slot(day)] += sums.astype(state.weeks.dtype)
    state.starts[u] += starts
    state.score[~use] = 0.0


@numba.njit(cache=True)
def _take(
    day: int,
    unit: Ints,
    locked: Bools,
    first: Bools,
    p: Floats,
    p_now: Floats,
    old: Reals,
    score: Reals,
    score_from: NDArray[np.uint16],
) -> tuple[Ints, Ints, Floats]:
    """Move the test by a span of starts; return its units, their starts, and their sums (units, 5)."""
    units = 0
    for i in range(len(unit)):
        units += i == 0 or unit[i] != unit[i - 1]
    of, starts, sums = np.empty(units, dtype=np.int64), np.zeros(units, dtype=np.int64), np.zeros((units, 5))
    k, drain, again = 0, 0.0, 0.0
    for i in range(len(unit)):
        u = unit[i]
        starts[k] += 1
        if first[i]:
            sums[k, N] += 1.0
            sums[k, SEEN] += locked[i]
            sums[k, EXPECTED] += p[i]
            sums[k, EXPECTED_NOW] += p_now[i]
            drain += np.log1p(p[i] * (FOLD - 1.0))
        else:
            sums[k, RETRIES] += locked[i]
            again += _of_retry(locked[i], p[i])
        if i + 1 == len(unit) or unit[i + 1] != u:
            frail = min(max((HALF + old[u, 0]) / (HALF + old[u, 1]), 0.5), 20.0)
            after = max(0.0, score[u] + np.log(FOLD) * sums[k, SEEN] - frail * drain + again)
            if score[u] <= 0 < after:
                score_from[u] = day
            score[u], of[k] = after, u
            k, drain, again = k + 1, 0.0, 0.0
    return of, starts, sums


@numba.njit(cache=True)
def _of_retry(locked: bool, p: float) -> float:
    """Return what the outcome of a retry says for a unit that cannot start, nats.

    What kept the first attempt of a sound unit from starting is over minutes later, when pressures are even; of a unit
    that cannot start every other retry locks (both shares are assumptions; a simulated sound fleet shows 2 in 1,000).
    """
    well = min(RETRY_LOCKS_WELL + p, RETRY_LOCKS_ILL - 0.05)
    return float(np.log(RETRY_LOCKS_ILL / well) if locked else np.log((1.0 - RETRY_LOCKS_ILL) / (1.0 - well)))


def follow(state: Rate, day: int, usable: Bools, options: Options) -> None:
    """Set or clear alarms at the end of a day."""
    fresh = usable & ~state.alarm & (state.score > options.locked_nats)
    state.since_day[:] = np.where(fresh, np.where(state.score_from > 0, state.score_from, day), state.since_day)
    state.alarm |= fresh
    clear(state, np.flatnonzero(state.alarm & ((state.score < 1.0) | ~usable)), forget=False)


def clear(state: Rate, units: Ints, *, forget: bool) -> None:
    """Take back alarms; ``forget`` also empties the test and the window, as after a visit."""
    state.alarm[units] = False
    state.since_day[units] = 0
    if forget:
        state.score[units] = 0.0
        state.score_from[units] = 0
        state.weeks[units] = 0.0
        state.old[units] = 0.0
        state.clues[units] = 0.0


def interval(seen: Reals, expected: Reals) -> tuple[Floats, Floats, Floats]:
    """Return the posterior mean and 90 % interval of the ratio of the true to the expected rate.

    Parameters
    ----------
    seen, expected : arrays of counts

    Returns
    -------
    ratio, low, high : arrays; the posterior is gamma with shape ``seen + 1/2`` and rate ``expected + 1/2``
    """
    shape, rate = seen + HALF, expected + HALF
    return shape / rate, gammaincinv(shape, 0.05) / rate, gammaincinv(shape, 0.95) / rate
