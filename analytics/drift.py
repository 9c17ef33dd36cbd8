"""Does a unit start slower than its own baseline expects? A score test in three directions, its size, and since when.

The variance is the sum of a prediction error and of what the baseline does not know itself, so that a unit which meets
its first cold spell is not taken for a faulty one. What the test finds is weighed together with all else that is known
(`analytics.joint`) before there is an alarm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics import baseline, compact, features, spd
from analytics.baseline import DaySums, Stream
from analytics.compact import Halves, Singles
from analytics.options import Options
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

DIRECTIONS = (features.LEVEL, features.REST_SLOW, features.SOAK)
"""Always; after short rests; after cold soaks."""
NULL_SCALE = 1.4
"""Scale of z on healthy units where the fleet is too small to show it."""
NULL_UNITS = 30.0
CALM_DAYS, CALM_NATS = 7, 0.5
Z90 = 1.6448536269514722
"""95th percentile of the standard normal: half-width of a 90 % interval."""


RESTLESS_SHARE = 0.1
"""Share of sound units whose level strays by itself, by more than the others' (assumption)."""
FALL_SD, FALL_FOLD = 0.01, 1.6
"""How far the recent level of a sound unit lies from its slower one, and how many times as far that of one that strays
(assumptions; the fleet's own days overrule the first)."""
FALL_NATS, STRAY_NATS = (-2.0, 4.0), (0.0, 8.0)
"""The least and most that such a fall says, and all together."""
FALLS_A_DAY = 1.0 / 7.0
"""How many independent falls a day tells of: those of days close together are nearly the same."""
RETURN_NATS = 2.0
"""What it says of a unit that its level strays when an alarm goes without any work: what is broken seldom mends itself,
though it may well show in some weather only (assumption)."""
SHRINK_SD = 0.2
"""Standard deviation of ln run-up that faults bring about; it shrinks what is said before it is sure."""


@dataclass
class Drift:
    """State of the test, one entry a unit (and direction); ``stray`` are nats that its level strays by itself.

    ``since_day`` and ``cusum_from`` are days since 1970, 0 for none.
    """

    z: Halves
    nats: Singles
    alarm: Bools
    since_day: NDArray[np.uint16]
    calm: NDArray[np.uint8]
    cusum: Halves
    cusum_from: NDArray[np.uint16]
    scale: Floats
    stray: Singles

    @property
    def scaled(self) -> Floats:
        """The statistics by the width that they have on healthy units, (units, directions); 0 for quicker starts."""
        return np.asarray(np.maximum(self.z / self.scale, 0.0))

    @property
    def evidence(self) -> Floats:
        """Nats of the strongest direction, (units,)."""
        return np.asarray(0.5 * self.scaled.max(axis=1) ** 2)


def begin(units: int) -> Drift:
    """Return the state before any test."""
    k = len(DIRECTIONS)
    return Drift(
        z=np.zeros((units, k), dtype=np.float16),
        nats=np.zeros(units, dtype=np.float32),
        alarm=np.zeros(units, dtype=bool),
        since_day=np.zeros(units, dtype=np.uint16),
        calm=np.zeros(units, dtype=np.uint8),
        cusum=np.zeros((units, k), dtype=np.float16),
        cusum_from=np.zeros((units, k), dtype=np.uint16),
        scale=np.full(k, NULL_SCALE),
        stray=np.zeros(units, dtype=np.float32),
    )


def score(
    n: Reals, off: Reals, ratio: Floats, known: Reals, wander_sd: float, direction: int
) -> tuple[Floats, Floats, Floats]:
    """Return excess sum, its variance and the information of units in one direction.

    Parameters
    ----------
    n, off : (units, p) row ``direction`` of the sums of the span tested, and (units,) of what is off the expected
    ratio : (units,) sum of squared over sum of weights of those sums: 1 without decay
    known : (units,) variance of what it expects of that row
    wander_sd : harmless wandering of the level
    direction : column of the features

    Returns
    -------
    u, variance, information : (units,); the effect is ``u / information``, z is ``u / sqrt(variance)``
    """
    own = n[:, direction].astype(np.float64)
    return off.astype(np.float64), own * ratio + known + wander_sd**2 * n[:, 0] ** 2, own


def level(stream: Stream, units: Ints, options: Options) -> tuple[Floats, Floats, Floats]:
    """Return the score of the recent sums of some units in their level, as `score` does."""
    n = compact.columns(stream.recent, [features.LEVEL], units)
    known = baseline.variance(stream, units, n)[:, 0]
    off = compact.right(stream.recent, units)[:, features.LEVEL]
    decay = baseline.decay(stream, "recent", units, options)
    return score(n[:, 0], off, decay, known, options.wander_sd, features.LEVEL)


def _excursion(state: Drift, units: Ints, rows: Floats, off: Floats, known: Floats, day: int, wander_sd: float) -> None:
    """Follow each direction's own cumulative sum by day: an alarm dates from where it last left zero.

    ``rows`` (units, directions, p) and ``off`` (units, p) are of the sums of the day, ``known`` (units, directions) is
    the variance of what was expected of them.
    """
    one = np.ones(len(units))
    for k, direction in enumerate(DIRECTIONS):
        total, var, own = score(rows[:, k], off[:, direction], one, known[:, k], wander_sd, direction)
        step = np.where(own > 0.05, total / np.sqrt(np.maximum(var, 1e-12)) / state.scale[k], 0.0)
        before = state.cusum[units, k]
        after = np.clip(before + step - 0.75, 0.0, 50.0)
        begins = (before <= 0) & (after > 0)
        state.cusum_from[units[begins], k] = day
        state.cusum[units, k] = after


def follow(state: Drift, stream: Stream, sums: DaySums, day: int, usable: Bools, options: Options) -> None:
    """Test all units at the end of a day.

    Parameters
    ----------
    sums : the day's sums, already added to ``stream``
    usable : (units,) whether the unit has a baseline
    """
    place = np.full(len(usable), -1)
    place[sums.unit] = np.arange(len(sums.unit))
    active = place >= 0
    told = np.zeros(state.z.shape, dtype=bool)
    state.z[:] = 0.0
    k = len(DIRECTIONS)
    for some in spd.pieces(np.flatnonzero(usable)):
        today = place[some]
        now = np.flatnonzero(today >= 0)
        n, units = sums.n[today[now]], some[now]
        # What is expected of the recent sums and of the day's is known from the same factor.
        rows = np.zeros((len(some), 2 * k, stream.base.diagonal.shape[1]))
        rows[:, :k] = compact.columns(stream.recent, DIRECTIONS, some)
        for j, direction in enumerate(DIRECTIONS):
            rows[now, k + j] = spd.row(n, direction)
        known = baseline.variance(stream, some, rows)
        state.z[some], told[some] = _tested(stream, some, rows[:, :k], known[:, :k], options)
        off = baseline.off_expected(n, sums.m[today[now]], stream.mean[units])
        _excursion(state, units, rows[now, k:], off, known[now, k:], day, options.wander_sd)
    for k in range(len(DIRECTIONS)):
        _rescale(state, k, state.z[told[:, k] & active, k].astype(np.float64))
    _stray(state, stream, np.flatnonzero(usable & active), options)


def _tested(stream: Stream, units: Ints, rows: Floats, known: Floats, options: Options) -> tuple[Floats, Bools]:
    """Return the statistics of the recent sums of some units, and whether these tell anything, (units, directions).

    ``rows`` (units, directions, p) are of these sums, ``known`` (units, directions) is the variance of what is expected
    of them.
    """
    decay, off = baseline.decay(stream, "recent", units, options), compact.right(stream.recent, units)
    z, told = np.zeros(known.shape), np.zeros(known.shape, dtype=bool)
    for k, direction in enumerate(DIRECTIONS):
        u, var, own = score(rows[:, k], off[:, direction], decay, known[:, k], options.wander_sd, direction)
        told[:, k] = own >= 1.0
        z[:, k] = np.where(told[:, k], u / np.sqrt(np.maximum(var, 1e-12)), 0.0)
    return z, told


def _stray(state: Drift, stream: Stream, units: Ints, options: Options) -> None:
    """Learn which units stray by themselves, from times in which starts became quicker: no fault does that.

    What is broken stays so or becomes worse, while a level that strays falls as often as it rises. That the recent
    level lies below the slower one is measured against what other units did meanwhile, of the lower half as for z.
    """
    now, noise = _level(stream, "recent", units, options)
    before, before_noise = _level(stream, "slow", units, options)
    change = (now - before) / np.sqrt(FALL_SD**2 + np.abs(noise - before_noise))
    told = np.isfinite(change)
    if not told.any():
        return
    middle, seen, share = _lower_half(change[told])
    z = (change - share * middle) / max(share * seen + (1.0 - share), 0.3)
    nats = np.clip(0.5 * z**2 * (1.0 - FALL_FOLD**-2) - np.log(FALL_FOLD), *FALL_NATS) * FALLS_A_DAY
    state.stray[units] = np.clip(state.stray[units] + np.where(told & (z < 0), nats, 0.0), *STRAY_NATS)


def _level(stream: Stream, window: baseline.Window, units: Ints, options: Options) -> tuple[Floats, Floats]:
    """Return how far the level of a window lies above expectation, and its variance; NaN where there are no starts."""
    sums = baseline.window(stream, window)
    own = compact.diagonal(sums, units)[:, features.LEVEL]
    own = np.where(own > 0, own, np.nan)
    off = compact.right(sums, units)[:, features.LEVEL]
    return off / own, baseline.decay(stream, window, units, options) / own


def restless(state: Drift) -> Floats:
    """Return the probability that each unit's level strays by itself, (units,)."""
    odds = RESTLESS_SHARE / (1.0 - RESTLESS_SHARE) * np.exp(state.stray)
    return np.asarray(odds / (1.0 + odds))


def judge(state: Drift, nats: Floats, active: Ints, day: int, usable: Bools, options: Options) -> None:
    """Set or clear the alarms at the end of a day.

    Parameters
    ----------
    nats : (units,) what speaks for a fault, all evidence together
    active : units that had starts on the day
    """
    state.nats[:] = nats
    started = np.zeros(len(usable), dtype=bool)
    started[active] = True
    fresh = usable & ~state.alarm & (nats > options.drift_nats)
    start = state.cusum_from[np.arange(len(usable)), np.argmax(state.scaled, axis=1)]
    state.since_day[:] = np.where(fresh, np.where(start > 0, start, day), state.since_day)
    state.alarm |= fresh
    state.calm[:] = np.where(nats < CALM_NATS, np.minimum(state.calm + started, CALM_DAYS), 0)
    over = state.alarm & (state.calm >= CALM_DAYS)
    state.stray[:] = np.clip(state.stray + np.where(over, RETURN_NATS, 0.0), *STRAY_NATS)
    clear(state, np.flatnonzero(over | (state.alarm & ~usable)))


def _rescale(state: Drift, k: int, z: Floats) -> None:
    """Let the lower half of the fleet say how wide healthy z is: faults widen the upper half only."""
    if len(z) < 10:
        return
    _, seen, share = _lower_half(z)
    today = np.clip(share * seen + (1 - share) * NULL_SCALE, 0.9, 4.0)
    state.scale[k] += 0.1 * (today - state.scale[k])


def _lower_half(values: Floats) -> tuple[float, float, float]:
    """Return the middle of the fleet, the standard deviation that its lower half shows, and how far to trust both."""
    # As numpy's quantile, whose ways are slow for a day's few thousand values.
    low, middle = np.interp([0.1, 0.5], np.linspace(0.0, 1.0, len(values)), np.sort(values))
    return float(middle), float(middle - low) / 1.2816, len(values) / (len(values) + NULL_UNITS)


def clear(state: Drift, units: Ints) -> None:
    """Take back the alarms of units."""
    state.alarm[units] = False
    state.since_day[units] = 0
    state.calm[units] = 0
    state.cusum[units] = 0.0
    state.cusum_from[units] = 0


@dataclass(frozen=True)
class Effect:
    """Run-up time against expectation, one entry a unit; NaN where nothing recent is known."""

    expected_s: Floats
    now_s: Floats
    drift: Floats
    low: Floats
    high: Floats
    log_excess: Floats
    log_sd: Floats


def effect(state: Drift, stream: Stream, usable: Bools, options: Options) -> Effect:
    """Return how much longer run-up takes now than expected under the conditions met, with a 90 % interval."""
    u, var, own = level(stream, np.arange(len(usable)), options)
    told = usable & (own > 0)
    safe = np.where(told, own, 1.0)
    excess = np.where(told, u / safe, np.nan)
    sd = np.where(told, np.sqrt(np.maximum(var, 0.0)) / safe, np.nan) * max(1.0, float(state.scale[0]))
    n = compact.columns(stream.recent, [features.LEVEL], np.arange(len(usable)))[:, 0]
    expected = np.where(told, np.exp(np.einsum("up,up->u", n, stream.mean) / safe), np.nan)
    return Effect(
        expected_s=expected,
        now_s=expected * np.exp(excess),
        drift=np.expm1(excess),
        low=np.expm1(excess - Z90 * sd),
        high=np.expm1(excess + Z90 * sd),
        log_excess=excess,
        log_sd=sd,
    )


def excess(stream: Stream, options: Options, units: Ints | None = None) -> tuple[Floats, Floats]:
    """Return each unit's present drift in ln run-up, shrunk towards none by what is not known of it; or that of some.

    Beside it stands the standard deviation that the scatter of the recent starts leaves it: `SHRINK_SD` without any.
    """
    units = np.arange(len(stream.klass)) if units is None else units
    decay = baseline.decay(stream, "recent", units, options)
    u, var, own = level(stream, units, options)
    safe = np.where(own > 0, own, 1.0)
    trust = SHRINK_SD**2 / (SHRINK_SD**2 + var / safe**2)
    return np.where(own > 0, trust * u / safe, 0.0), 1.0 / np.sqrt(own / decay + SHRINK_SD**-2)
