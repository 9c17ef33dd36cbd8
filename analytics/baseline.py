r"""What is normal for each unit: a condition model with a fleet prior by class, as sums that days are added to.

For starts of unit u of class c, :math:`y = x^T(\beta_c + b_u) + e`, :math:`b_u \sim N(0, \Sigma)`. Each unit keeps
weighted normal equations only; the prior enters when they are solved, so it may be fitted anew at any time [1]_.
They are kept as lower triangles to five digits (`analytics.compact`), and worked with in double precision. A unit's
coefficients are kept beside them; how well they are known follows from the sums whenever it is asked for.

The level of a unit is learned at its commissioning alone. Later blocks have theirs projected out, so that they teach
what conditions do (the first cold spell, say) and never that a slow creep is normal.

References
----------
.. [1] Gelman et al., Bayesian Data Analysis, 3rd ed., section 15.1 (hierarchical normal linear model).
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Literal

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import compact, spd
from analytics.compact import Singles, Triangles
from analytics.options import Options
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


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
    def ridge(self) -> spd.Ridge:
        """The inverse of the spread, which is added to what a unit has learned."""
        return spd.ridge(np.linalg.inv(self.sigma))


@dataclass(frozen=True)
class DaySums:
    """Normal equations of one day: ``unit`` (k,), ``n`` (k, p (p + 1) / 2), ``m`` (k, p), starts (k,)."""

    unit: Ints
    n: Floats
    m: Floats
    starts: Ints


@dataclass
class Stream:
    """One quantity of every unit, followed against its baseline.

    ``base`` holds what is learned, ``block`` the current 28 days, ``recent`` and ``slow`` what decays with every active
    day: ``*_n`` and ``*_m`` are normal equations, ``*_w`` sums of weights and of squared weights of the decay.
    ``mean`` (units, p) solves ``base``, and ``level_var`` is the variance of its first.
    """

    klass: NDArray[np.int8]
    prior: Prior
    base_n: Triangles
    base_m: Singles
    base_blocks: NDArray[np.int16]
    block_n: Triangles
    block_m: Singles
    block_from: NDArray[np.int32]
    block_days: NDArray[np.int16]
    block_starts: NDArray[np.int32]
    recent_n: Triangles
    recent_m: Singles
    recent_w: Singles
    slow_n: Triangles
    slow_m: Singles
    slow_w: Singles
    mean: Singles
    level_var: Singles


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


def begin(klass: Ints, prior: Prior) -> Stream:
    """Return a stream of units of the given classes without data."""
    units, p = len(klass), prior.beta.shape[1]

    def square() -> Triangles:
        return compact.zeros(units, p)

    def line(size: int = p) -> Singles:
        return np.zeros((units, size), dtype=np.float32)

    stream = Stream(
        klass=klass.astype(np.int8),
        prior=prior,
        base_n=square(),
        base_m=line(),
        base_blocks=np.zeros(units, dtype=np.int16),
        block_n=square(),
        block_m=line(),
        block_from=np.zeros(units, dtype=np.int32),
        block_days=np.zeros(units, dtype=np.int16),
        block_starts=np.zeros(units, dtype=np.int32),
        recent_n=square(),
        recent_m=line(),
        recent_w=line(2),
        slow_n=square(),
        slow_m=line(),
        slow_w=line(2),
        mean=line(),
        level_var=np.zeros(units, dtype=np.float32),
    )
    solve(stream, np.arange(units))
    return stream


def part(stream: Stream, units: Ints) -> Stream:
    """Return a copy of some units' part of a stream."""
    own = {f.name: compact.some(getattr(stream, f.name), units) for f in fields(stream) if f.name != "prior"}
    return Stream(prior=copy.deepcopy(stream.prior), **own)


def joined(stream: Stream, more: Stream) -> Stream:
    """Return a stream with the units of another after its own, under its own prior."""
    both = {f.name: (getattr(stream, f.name), getattr(more, f.name)) for f in fields(stream) if f.name != "prior"}
    return Stream(prior=stream.prior, **{name: compact.joined(*two) for name, two in both.items()})


def window(stream: Stream, name: Window) -> tuple[Triangles, Singles, Singles]:
    """Return the decaying sums of a window: normal equations, (units, p), and weights (units, 2)."""
    if name == "recent":
        return stream.recent_n, stream.recent_m, stream.recent_w
    return stream.slow_n, stream.slow_m, stream.slow_w


def solve(stream: Stream, units: Ints) -> None:
    """Bring ``mean`` and ``level_var`` of units up to date with what they have learned and with the prior."""
    for some in spd.pieces(units):
        beta, a = stream.prior.beta[stream.klass[some]], compact.loose(stream.base_n, some)
        cov = spd.inverses(a, stream.prior.ridge)
        stream.level_var[some] = cov[:, 0]
        stream.mean[some] = beta + spd.times(cov, stream.base_m[some] - spd.times(a, beta))


def precision(stream: Stream, units: Ints) -> Floats:
    """Return how well the coefficients of some units are known: the inverse of their covariance, packed."""
    return compact.loose(stream.base_n, units) + stream.prior.ridge.packed


def covariance(stream: Stream, units: Ints) -> Floats:
    """Return the covariance of the coefficients of some units, packed, (units, p (p + 1) / 2)."""
    return spd.inverses(compact.loose(stream.base_n, units), stream.prior.ridge)


def variance(stream: Stream, units: Ints, x: spd.Reals) -> Floats:
    """Return how well combinations ``x`` (units, k, p) of the coefficients of some units are known, (units, k)."""
    return compact.spread(stream.base_n, units, stream.prior.ridge, x)


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
    unit : (n,) ascending; x : (n, p); y : (n,), NaN where there is nothing to add
    w : (n,) inverse variances, or (1,) where all are alike
    day_variance : variance of what all starts of a unit's day share; it bounds what one day can tell
    """
    return DaySums(*_day_sums(unit, x, y, w, day_variance))


@numba.njit(cache=True)
def _day_sums(unit: Ints, x: Floats, y: Floats, w: Floats, day_variance: float) -> tuple[Ints, Floats, Floats, Ints]:
    count, p = x.shape
    units = 0
    for i in range(count):
        units += i == 0 or unit[i] != unit[i - 1]
    n, m = np.zeros((units, p * (p + 1) // 2)), np.zeros((units, p))
    of, starts = np.empty(units, dtype=np.int64), np.zeros(units, dtype=np.int64)
    step = 1 if len(w) == count else 0
    square, line = np.zeros((p, p)), np.zeros(p)
    k, weight = 0, 0.0
    for i in range(count):
        if np.isfinite(y[i]):
            weight += w[i * step]
            starts[k] += 1
            for a in range(p):
                weighted = w[i * step] * x[i, a]
                line[a] += weighted * y[i]
                # Whole rows, though half would do: a processor adds several numbers of a row at once.
                for b in range(p):
                    square[a, b] += weighted * x[i, b]
        if starts[k] > 0 and (i + 1 == count or unit[i + 1] != unit[i]):
            of[k] = unit[i]
            _move(square, line, 1.0 / (1.0 + day_variance * weight), n, m, k)
            k, weight = k + 1, 0.0
    return of[:k], n[:k], m[:k], starts[:k]


@numba.njit(cache=True)
def _move(square: Floats, line: Floats, gain: float, n: Floats, m: Floats, k: int) -> None:
    """Write the sums of a unit times a gain to its row, and leave zeros behind."""
    place = 0
    for a in range(len(line)):
        m[k, a], line[a] = gain * line[a], 0.0
        for b in range(len(line)):
            if b <= a:
                n[k, place] = gain * square[a, b]
                place += 1
            square[a, b] = 0.0


def add(stream: Stream, sums: DaySums, options: Options) -> None:
    """Add a day's sums to the block and to the decaying sums of the units that had starts."""
    recent, slow = (2.0 ** (-1.0 / days) for days in (options.recent_half_life_d, options.slow_half_life_d))
    for n, m, keep in (
        (stream.block_n, stream.block_m, 1.0),
        (stream.recent_n, stream.recent_m, recent),
        (stream.slow_n, stream.slow_m, slow),
    ):
        compact.add(n, sums.unit, sums.n, keep)
        _add(sums.unit, sums.m, m, keep)
    _count(sums.unit, sums.starts, stream.block_days, stream.block_starts)
    for w, keep in ((stream.recent_w, recent), (stream.slow_w, slow)):
        _decay(sums.unit, w, keep)


@numba.njit(cache=True)
def _add(units: Ints, m: Floats, line: Singles, keep: float) -> None:
    for k in range(len(units)):
        for a in range(m.shape[1]):
            line[units[k], a] = keep * line[units[k], a] + m[k, a]


@numba.njit(cache=True)
def _count(units: Ints, starts: Ints, days: NDArray[np.int16], total: NDArray[np.int32]) -> None:
    for k in range(len(units)):
        days[units[k]] += 1
        total[units[k]] += starts[k]


@numba.njit(cache=True)
def _decay(units: Ints, w: Singles, keep: float) -> None:
    for k in range(len(units)):
        u = units[k]
        w[u, 0] = keep * w[u, 0] + 1.0
        w[u, 1] = keep * keep * w[u, 1] + 1.0


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
    later = (stream.base_blocks > 0) & (day + 1 - stream.block_from >= options.block_days)
    units = np.flatnonzero(first | later)
    if len(units) == 0:
        return units
    n, m = compact.loose(stream.block_n, units), stream.block_m[units].astype(np.float64)
    own = spd.row(n, 0)
    old = (age[units] > options.level_days) & (own[:, 0] > 0) & (stream.base_blocks[units] > 0)
    level = np.where(old, own[:, 0], np.inf)[:, None]
    compact.put(stream.base_n, units, compact.loose(stream.base_n, units) + n - spd.squares(own) / level)
    stream.base_m[units] += m - own * (m[:, :1] / level)
    stream.base_blocks[units] += 1
    _clear_block(stream, units, day + 1)
    solve(stream, units)
    return units


def _clear_block(stream: Stream, units: Ints, day: int) -> None:
    compact.clear(stream.block_n, units)
    stream.block_m[units] = 0.0
    stream.block_days[units] = 0
    stream.block_starts[units] = 0
    stream.block_from[units] = day


def forget_recent(stream: Stream, units: Ints) -> None:
    """Drop the decaying sums of units, as after a visit."""
    for n in (stream.recent_n, stream.slow_n):
        compact.clear(n, units)
    for array in (stream.recent_m, stream.recent_w, stream.slow_m, stream.slow_w):
        array[units] = 0.0


def restart(stream: Stream, units: Ints, day: int) -> None:
    """Let units begin anew from the prior of their class."""
    forget_recent(stream, units)
    _clear_block(stream, units, day)
    compact.clear(stream.base_n, units)
    stream.base_m[units] = 0.0
    stream.base_blocks[units] = 0
    solve(stream, units)
