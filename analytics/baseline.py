r"""What is normal for each unit: a condition model with a fleet prior by class, as sums that days are added to.

For starts of unit u of class c, :math:`y = x^T(\beta_c + b_u) + e`, :math:`b_u \sim N(0, \Sigma)`. Each unit keeps
weighted normal equations only; the prior enters when they are solved, so it may be fitted anew at any time [1]_.
A unit's coefficients are kept, and of the sums what is off them (`analytics.compact`); how well they are known follows
from the sums whenever it is asked for. What a unit has learned altogether follows from its coefficients, the sums
behind them and the prior, so that of these sums no right side is kept.

The level of a unit is learned at its commissioning alone. Later blocks have theirs projected out, so that they teach
what conditions do (the first cold spell, say) and never that a slow creep is normal.

References
----------
.. [1] Gelman et al., Bayesian Data Analysis, 3rd ed., section 15.1 (hierarchical normal linear model).
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, fields
from functools import cache, cached_property
from typing import Literal

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import compact, spd
from analytics.compact import Halves, Singles, Sums
from analytics.options import Options
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


STEP = 2.0**-13
"""Of coefficients of logarithms."""
Window = Literal["recent", "slow"]
"""Which decaying sums are meant: those that find a fault soon, or those that weigh it longer."""


@dataclass(frozen=True)
class Prior:
    """Class coefficients (classes, p), spread of units about them (p, p), and the same before any data.

    ``fitted`` is whether the first two come from data.
    """

    beta: Floats
    sigma: Floats
    mean0: Floats
    spread0: Floats
    sigma0: Floats
    fitted: bool = False

    @cached_property
    def inverse(self) -> Floats:
        """The inverse of the spread, (p, p)."""
        return np.asarray(np.linalg.inv(self.sigma))

    @cached_property
    def ridge(self) -> spd.Ridge:
        """The inverse of the spread, which is added to what a unit has learned."""
        return spd.ridge(self.inverse)


@dataclass(frozen=True)
class DaySums:
    """Normal equations of one day: ``unit`` (k,), ``n`` (k, p (p + 1) / 2), ``m`` (k, q p), starts (k,)."""

    unit: Ints
    n: Floats
    m: Floats
    starts: Ints


@dataclass
class Stream:
    """One quantity of every unit, or q that are told together, followed against their baselines.

    ``base`` holds what is learned, ``block`` the current 28 days, ``recent`` and ``slow`` what decays with every active
    day, of which there were ``lately_days``: normal equations of what is off the expected. ``steps`` (units, q p)
    are the coefficients that ``base`` and the prior give, in steps of so much; before anything is learned those of the
    first day, from which sums are counted. ``level_var`` (units, q) is the variance of the first of each, and ``told``
    (units, q) whether a unit has told a quantity at all.
    """

    klass: NDArray[np.int8]
    priors: tuple[Prior, ...]
    base: Sums
    base_blocks: NDArray[np.uint8]
    block: Sums
    block_from: NDArray[np.uint16]
    block_days: NDArray[np.uint8]
    block_starts: NDArray[np.uint16]
    recent: Sums
    slow: Sums
    lately_days: NDArray[np.uint8]
    step: float
    steps: NDArray[np.int16]
    level_var: Halves
    told: Bools

    @property
    def mean(self) -> Singles:
        """The coefficients, (units, q p)."""
        return np.asarray(self.steps * np.float32(self.step))


_BY_UNIT = tuple(f.name for f in fields(Stream) if f.name not in ("priors", "step"))


def prior_before_data(mean: Floats, spread: Floats, unit_sd: Floats, classes: int) -> Prior:
    """Return the prior that holds before any start is seen.

    Parameters
    ----------
    mean : (p,) expected coefficients
    spread : (p,) standard deviation of that expectation
    unit_sd : (p,) standard deviation of units within a class
    classes : number of classes
    """
    sigma = np.diag(unit_sd**2)
    wide = sigma + np.diag(spread**2)
    return Prior(np.tile(mean, (classes, 1)), wide, mean, np.diag(spread**2), sigma)


def begin(klass: Ints, *priors: Prior, step: float = STEP) -> Stream:
    """Return a stream of units of the given classes without data, with a quantity for each prior.

    Coefficients are kept in steps of ``step``, up to 32,767 of them.
    """
    units, p, q = len(klass), priors[0].beta.shape[1], len(priors)
    return Stream(
        klass=klass.astype(np.int8),
        priors=priors,
        base=compact.zeros(units, p),
        base_blocks=np.zeros(units, dtype=np.uint8),
        block=compact.zeros(units, p, q),
        block_from=np.zeros(units, dtype=np.uint16),
        block_days=np.zeros(units, dtype=np.uint8),
        block_starts=np.zeros(units, dtype=np.uint16),
        recent=compact.zeros(units, p, q),
        slow=compact.zeros(units, p, q),
        lately_days=np.zeros(units, dtype=np.uint8),
        step=step,
        steps=_in_steps(np.concatenate([prior.beta[klass] for prior in priors], axis=1), step),
        level_var=np.tile([prior.sigma[0, 0] for prior in priors], (units, 1)).astype(np.float16),
        told=np.ones((units, q), dtype=bool),
    )


def _in_steps(values: Floats, step: float) -> NDArray[np.int16]:
    most = np.iinfo(np.int16).max
    return np.clip(np.rint(values / step), -most, most).astype(np.int16)


def part(stream: Stream, units: Ints) -> Stream:
    """Return a copy of some units' part of a stream."""
    own = {name: compact.some(getattr(stream, name), units) for name in _BY_UNIT}
    return Stream(priors=copy.deepcopy(stream.priors), step=stream.step, **own)


def joined(stream: Stream, more: Stream) -> Stream:
    """Return a stream with the units of another after its own, under its own priors."""
    both = {name: compact.joined(getattr(stream, name), getattr(more, name)) for name in _BY_UNIT}
    return Stream(priors=stream.priors, step=stream.step, **both)


def window(stream: Stream, name: Window) -> Sums:
    """Return the decaying sums of a window."""
    return stream.recent if name == "recent" else stream.slow


def _keep(name: Window, options: Options) -> float:
    """Return what a day with starts leaves of those before it."""
    return float(2.0 ** (-1.0 / (options.recent_half_life_d if name == "recent" else options.slow_half_life_d)))


def decay(stream: Stream, name: Window, units: Ints, options: Options) -> Floats:
    """Return the ratio of squared to plain weights of the sums of a window, 1 where there are none, (units,)."""
    return np.asarray(_by_days(_keep(name, options))[stream.lately_days[units]])


@cache
def _by_days(keep: float) -> Floats:
    # Two geometric series over the days: (1 - k^2n) / (1 - k^2) over (1 - k^n) / (1 - k).
    return np.asarray((1.0 + keep ** np.maximum(np.arange(np.iinfo(np.uint8).max + 1), 1)) / (1.0 + keep))


def renew(stream: Stream, priors: tuple[Prior, ...]) -> None:
    """Put other priors in place of a stream's, and bring all coefficients up to date with them."""
    for some in spd.pieces(np.arange(len(stream.klass))):
        mean = stream.mean[some].astype(np.float64)
        for k, prior in enumerate(priors):
            own, (a, m) = _own(stream, k), learned(stream, some, k)
            beta, cov = prior.beta[stream.klass[some]], spd.inverses(a, prior.ridge)
            solved = beta + spd.times(cov, m - spd.times(a, beta))
            # Before a unit has learned, its coefficients are only where its sums are counted from.
            fixed = ((stream.base_blocks[some] == 0) & (stream.block_days[some] > 0))[:, None]
            mean[:, own] = np.where(fixed, mean[:, own], solved)
            stream.level_var[some, k] = cov[:, 0]
        _expect(stream, some, mean)
    stream.priors = priors


def learned(stream: Stream, units: Ints, quantity: int = 0) -> tuple[Floats, Floats]:
    """Return the normal equations of what some units have learned of a quantity, packed, and (units, p)."""
    prior, a = stream.priors[quantity], compact.loose(stream.base, units)
    mean = stream.mean[units, _own(stream, quantity)].astype(np.float64)
    return a, spd.times(a, mean) + (mean - prior.beta[stream.klass[units]]) @ prior.inverse


def _own(stream: Stream, quantity: int) -> slice:
    p = stream.base.diagonal.shape[1]
    return slice(quantity * p, (quantity + 1) * p)


def _expect(stream: Stream, units: Ints, mean: Floats) -> None:
    """Put other coefficients (units, q p) in place of those of some units."""
    steps = _in_steps(mean, stream.step)
    more = (steps - stream.steps[units].astype(np.float64)) * stream.step
    for sums in (stream.block, stream.recent, stream.slow):
        compact.expect(sums, units, more)
    stream.steps[units] = steps


def precision(stream: Stream, units: Ints) -> Floats:
    """Return how well the coefficients of some units are known: the inverse of their covariance, packed."""
    return compact.loose(stream.base, units) + stream.priors[0].ridge.packed


def covariance(stream: Stream, units: Ints) -> Floats:
    """Return the covariance of the coefficients of some units, packed, (units, p (p + 1) / 2)."""
    return spd.inverses(compact.loose(stream.base, units), stream.priors[0].ridge)


def variance(stream: Stream, units: Ints, x: spd.Reals) -> Floats:
    """Return how well combinations ``x`` (units, k, p) of the coefficients of some units are known, (units, k)."""
    return compact.spread(stream.base, units, stream.priors[0].ridge, x)


@numba.njit(cache=True)
def expected(mean: Singles, unit: Ints, x: Floats) -> Floats:
    """Return what coefficients (units, p) lead one to expect of each start, (n,); ``x`` (n, p)."""
    out = np.zeros(len(unit))
    for k in range(len(unit)):
        for a in range(x.shape[1]):
            out[k] += x[k, a] * mean[unit[k], a]
    return out


def day_sums(unit: Ints, x: Floats, y: Floats, w: Floats, day_variance: float) -> DaySums:
    """Return the normal equations of a day's starts, which must stand by unit.

    Parameters
    ----------
    unit : (n,) ascending; x : (n, p); y : (n,) or (n, q), NaN in the first where there is nothing to add
    w : (n,) inverse variances, or (1,) where all are alike
    day_variance : variance of what all starts of a unit's day share; it bounds what one day can tell
    """
    return DaySums(*_day_sums(unit, x, y if y.ndim == 2 else y[:, None], w, day_variance))


@numba.njit(cache=True)
def _day_sums(unit: Ints, x: Floats, y: Floats, w: Floats, day_variance: float) -> tuple[Ints, Floats, Floats, Ints]:
    (count, p), q = x.shape, y.shape[1]
    units = 0
    for i in range(count):
        units += i == 0 or unit[i] != unit[i - 1]
    n, m = np.zeros((units, p * (p + 1) // 2)), np.zeros((units, q * p))
    of, starts = np.empty(units, dtype=np.int64), np.zeros(units, dtype=np.int64)
    step = 1 if len(w) == count else 0
    square, line = np.zeros((p, p)), np.zeros((q, p))
    k, weight, waits = 0, 0.0, -1
    for i in range(count):
        if np.isfinite(y[i, 0]):
            weight += w[i * step]
            starts[k] += 1
            for j in range(q):
                for a in range(p):
                    line[j, a] += w[i * step] * x[i, a] * y[i, j]
            if waits < 0:
                waits = i
            else:
                _add_two(square, x[waits], w[waits * step], x[i], w[i * step])
                waits = -1
        if starts[k] > 0 and (i + 1 == count or unit[i + 1] != unit[i]):
            if waits >= 0:
                _add_two(square, x[waits], w[waits * step], x[waits], 0.0)
                waits = -1
            of[k] = unit[i]
            _move(square, line, 1.0 / (1.0 + day_variance * weight), n, m, k)
            k, weight = k + 1, 0.0
    return of[:k], n[:k], m[:k], starts[:k]


@numba.njit(cache=True, inline="always")
def _add_two(square: Floats, one: Floats, one_weight: float, other: Floats, other_weight: float) -> None:
    """Add the squares and products of two starts: what takes time is to fetch the sums and to put them back.

    Whole rows, though half would do: a processor adds several numbers of a row at once.
    """
    for a in range(len(one)):
        first, second = one_weight * one[a], other_weight * other[a]
        for b in range(len(one)):
            square[a, b] += first * one[b] + second * other[b]


@numba.njit(cache=True)
def _move(square: Floats, line: Floats, gain: float, n: Floats, m: Floats, k: int) -> None:
    """Write the sums of a unit times a gain to its row, and leave zeros behind."""
    (q, p), place = line.shape, 0
    for a in range(p):
        for j in range(q):
            m[k, j * p + a], line[j, a] = gain * line[j, a], 0.0
        for b in range(p):
            if b <= a:
                n[k, place] = gain * square[a, b]
                place += 1
            square[a, b] = 0.0


def add(stream: Stream, sums: DaySums, options: Options) -> None:
    """Add a day's sums to the block and to the decaying sums of the units that had starts."""
    _meet(stream, sums)
    off = off_expected(sums.n, sums.m, stream.mean[sums.unit])
    compact.add_to_learn(stream.block, sums.unit, sums.n, off, [prior.ridge for prior in stream.priors])
    compact.add(stream.recent, sums.unit, sums.n, off, _keep("recent", options))
    compact.add(stream.slow, sums.unit, sums.n, off, _keep("slow", options))
    for count, more in ((stream.block_days, 1), (stream.block_starts, sums.starts), (stream.lately_days, 1)):
        most = np.iinfo(count.dtype).max
        count[sums.unit] = np.minimum(count[sums.unit].astype(np.int64) + more, most)


def _meet(stream: Stream, sums: DaySums) -> None:
    """Let units of which nothing is known yet be expected as their first day leads to.

    Sums keep few digits: what is off the expected has to be little.
    """
    fresh = np.flatnonzero((stream.base_blocks[sums.unit] == 0) & (stream.block_days[sums.unit] == 0))
    if not len(fresh):
        return
    units = sums.unit[fresh]
    for k, prior in enumerate(stream.priors):
        own, beta, n = _own(stream, k), prior.beta[stream.klass[units]], sums.n[fresh]
        off = np.ascontiguousarray(sums.m[fresh, own]) - spd.times(n, beta)
        stream.steps[units, own] = _in_steps(beta + spd.times(spd.inverses(n, prior.ridge), off), stream.step)


def off_expected(n: Floats, m: Floats, mean: spd.Reals) -> Floats:
    """Return right sides (units, q p) less what coefficients of the same shape lead to expect."""
    p = spd.side(n.shape[1])
    return np.asarray(m - np.concatenate([spd.times(n, mean[:, k : k + p]) for k in range(0, m.shape[1], p)], axis=1))


def learn(stream: Stream, day: int, since_day: Ints | NDArray[np.int32], options: Options) -> Ints:
    """Let units whose block is complete at the end of a day learn from it; return them.

    Parameters
    ----------
    day : the day that has ended, days since 1970
    since_day : (units,) first day of each unit's present history, or a day after ``day``
    """
    age = day + 1 - since_day
    first = (
        (stream.base_blocks == 0)
        & (age >= options.min_days)
        & (stream.block_days >= options.min_active_days)
        & (stream.block_starts >= options.min_starts)
    )
    later = (stream.base_blocks > 0) & (day + 1 - stream.block_from.astype(np.int32) >= options.block_days)
    units = np.flatnonzero(first | later)
    if len(units) == 0:
        return units
    n, m = compact.loose(stream.block, units), compact.right(stream.block, units)
    own, p = spd.row(n, 0), stream.base.diagonal.shape[1]
    old = (age[units] > options.level_days) & (own[:, 0] > 0) & (stream.base_blocks[units] > 0)
    level = np.where(old, own[:, 0], np.inf)[:, None]
    for k in range(0, m.shape[1], p):
        m[:, k : k + p] -= own * (m[:, k : k + 1] / level)
    _clear_block(stream, units, day + 1)
    take_in(stream, units, n - spd.squares(own) / level, m)
    return units


def take_in(stream: Stream, units: Ints, n: Floats, off: Floats) -> None:
    """Let units learn from normal equations whose right sides are off the expected, packed and (units, q p)."""
    whole, mean = compact.loose(stream.base, units) + n, stream.mean[units].astype(np.float64)
    compact.put(stream.base, units, whole)
    first = stream.base_blocks[units, None] == 0
    stream.base_blocks[units] = np.minimum(stream.base_blocks[units], np.iinfo(np.uint8).max - 1) + 1
    for k, prior in enumerate(stream.priors):
        own, cov = _own(stream, k), spd.inverses(whole, prior.ridge)
        # What has been learned holds the coefficients where they are; before there is any, the prior pulls.
        pull = np.where(first, (prior.beta[stream.klass[units]] - mean[:, own]) @ prior.inverse, 0.0)
        mean[:, own] += spd.times(cov, off[:, own] + pull)
        stream.level_var[units, k] = cov[:, 0]
    _expect(stream, units, mean)


def _clear_block(stream: Stream, units: Ints, day: int) -> None:
    compact.clear(stream.block, units)
    stream.block_days[units] = 0
    stream.block_starts[units] = 0
    stream.block_from[units] = day


def forget_recent(stream: Stream, units: Ints) -> None:
    """Drop the decaying sums of units, as after a visit."""
    compact.clear(stream.recent, units)
    compact.clear(stream.slow, units)
    stream.lately_days[units] = 0


def restart(stream: Stream, units: Ints) -> None:
    """Let units begin anew from the prior of their class."""
    if not len(units):
        return
    forget_recent(stream, units)
    _clear_block(stream, units, 0)
    compact.clear(stream.base, units)
    stream.base_blocks[units] = 0
    fresh = begin(stream.klass[units].astype(np.int64), *stream.priors, step=stream.step)
    stream.steps[units], stream.level_var[units] = fresh.steps, fresh.level_var
