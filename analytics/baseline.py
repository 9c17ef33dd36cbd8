r"""What is normal for each unit: a condition model with a fleet prior by class, as sums that days are added to.

For starts of unit u of class c, :math:`y = x^T(\beta_c + b_u) + e`, :math:`b_u \sim N(0, \Sigma)`. Each unit keeps
weighted normal equations only; the prior enters when they are solved, so it may be fitted anew at any time [1]_.

The level of a unit is learned at its commissioning alone. Later blocks have theirs projected out, so that they teach
what conditions do (the first cold spell, say) and never that a slow creep is normal.

References
----------
.. [1] Gelman et al., Bayesian Data Analysis, 3rd ed., section 15.1 (hierarchical normal linear model).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import spd
from analytics.options import Options
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


Window = Literal["recent", "slow"]
"""Which decaying sums are meant: those that find a fault soon, or those that weigh it longer."""


@dataclass(frozen=True)
class Prior:
    """Class coefficients (classes, p), spread of units about them (p, p), and the same before any data."""

    beta: Floats
    sigma: Floats
    mean0: Floats
    spread0: Floats
    sigma0: Floats


@dataclass(frozen=True)
class DaySums:
    """Normal equations of one day: ``unit`` (k,), ``n`` (k, p, p), ``m`` (k, p), starts (k,)."""

    unit: Ints
    n: Floats
    m: Floats
    starts: Ints


@dataclass
class Stream:
    """One quantity of every unit, followed against its baseline.

    ``base`` holds what is learned, ``block`` the current 28 days, ``recent`` and ``slow`` what decays with every
    active day; ``*_w`` are sums of weights and of squared weights of the decay. ``mean`` and ``cov`` solve ``base``.
    """

    klass: Ints
    prior: Prior
    base_n: Floats
    base_m: Floats
    base_blocks: Ints
    block_n: Floats
    block_m: Floats
    block_from: Ints
    block_days: Ints
    block_starts: Ints
    recent_n: Floats
    recent_m: Floats
    recent_w: Floats
    slow_n: Floats
    slow_m: Floats
    slow_w: Floats
    mean: Floats
    cov: Floats


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

    def square() -> Floats:
        return np.zeros((units, p, p))

    def line() -> Floats:
        return np.zeros((units, p))

    def count() -> Ints:
        return np.zeros(units, dtype=np.int64)

    stream = Stream(
        klass=klass.copy(),
        prior=prior,
        base_n=square(),
        base_m=line(),
        base_blocks=count(),
        block_n=square(),
        block_m=line(),
        block_from=count(),
        block_days=count(),
        block_starts=count(),
        recent_n=square(),
        recent_m=line(),
        recent_w=np.zeros((units, 2)),
        slow_n=square(),
        slow_m=line(),
        slow_w=np.zeros((units, 2)),
        mean=line(),
        cov=square(),
    )
    solve(stream, np.arange(units))
    return stream


def window(stream: Stream, name: Window) -> tuple[Floats, Floats, Floats]:
    """Return the decaying sums of a window: normal equations (units, p, p), (units, p) and weights (units, 2)."""
    if name == "recent":
        return stream.recent_n, stream.recent_m, stream.recent_w
    return stream.slow_n, stream.slow_m, stream.slow_w


def solve(stream: Stream, units: Ints) -> None:
    """Bring ``mean`` and ``cov`` of some units up to date with what they have learned and with the prior."""
    if len(units) == 0:
        return
    beta = stream.prior.beta[stream.klass[units]]
    a = stream.base_n[units]
    cov = spd.inverses(np.linalg.inv(stream.prior.sigma) + a)
    innovation = stream.base_m[units] - np.einsum("uij,uj->ui", a, beta)
    stream.cov[units] = 0.5 * (cov + np.swapaxes(cov, 1, 2))
    stream.mean[units] = beta + np.einsum("uij,uj->ui", cov, innovation)


def day_sums(unit: Ints, x: Floats, y: Floats, w: Floats, day_variance: float) -> DaySums:
    """Return the normal equations of a day's starts, which must stand by unit.

    Parameters
    ----------
    unit : (n,) ascending; x : (n, p); y : (n,); w : (n,) inverse variances
    day_variance : variance of what all starts of a unit's day share; it bounds what one day can tell
    """
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    size = np.diff(np.append(starts, len(unit)))
    n, m = _day_sums(starts, size, x, y, w, day_variance)
    return DaySums(unit[starts], n, m, size)


@numba.njit(cache=True)
def _day_sums(starts: Ints, size: Ints, x: Floats, y: Floats, w: Floats, day_variance: float) -> tuple[Floats, Floats]:
    p = x.shape[1]
    n, m = np.zeros((len(starts), p, p)), np.zeros((len(starts), p))
    for k in range(len(starts)):
        weight = 0.0
        for i in range(starts[k], starts[k] + size[k]):
            weight += w[i]
            for a in range(p):
                weighted = w[i] * x[i, a]
                if weighted != 0.0:
                    m[k, a] += weighted * y[i]
                    for b in range(a, p):
                        n[k, a, b] += weighted * x[i, b]
        gain = 1.0 / (1.0 + day_variance * weight)
        for a in range(p):
            m[k, a] *= gain
            for b in range(a, p):
                n[k, a, b] *= gain
                n[k, b, a] = n[k, a, b]
    return n, m


def add(stream: Stream, sums: DaySums, options: Options) -> None:
    """Add a day's sums to the block and to the decaying sums of the units that had starts."""
    u = sums.unit
    stream.block_days[u] += 1
    stream.block_starts[u] += sums.starts
    _add(u, sums.n, sums.m, stream.block_n, stream.block_m, 1.0)
    for n, m, w, half_life_d in (
        (stream.recent_n, stream.recent_m, stream.recent_w, options.recent_half_life_d),
        (stream.slow_n, stream.slow_m, stream.slow_w, options.slow_half_life_d),
    ):
        keep = 2.0 ** (-1.0 / half_life_d)
        _add(u, sums.n, sums.m, n, m, keep)
        w[u] = np.array([keep, keep * keep]) * w[u] + 1.0


@numba.njit(cache=True)
def _add(units: Ints, n: Floats, m: Floats, to_n: Floats, to_m: Floats, keep: float) -> None:
    for k in range(len(units)):
        u = units[k]
        for a in range(m.shape[1]):
            to_m[u, a] = keep * to_m[u, a] + m[k, a]
            for b in range(m.shape[1]):
                to_n[u, a, b] = keep * to_n[u, a, b] + n[k, a, b]


def learn(stream: Stream, day: int, since_day: Ints, options: Options) -> Ints:
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
    n, m = stream.block_n[units], stream.block_m[units]
    old = (age[units] > options.level_days) & (n[:, 0, 0] > 0) & (stream.base_blocks[units] > 0)
    level = np.where(old, n[:, 0, 0], np.inf)
    stream.base_n[units] += n - n[:, :, :1] * n[:, :1, :] / level[:, None, None]
    stream.base_m[units] += m - n[:, :, 0] * (m[:, 0] / level)[:, None]
    stream.base_blocks[units] += 1
    _clear_block(stream, units, day + 1)
    solve(stream, units)
    return units


def _clear_block(stream: Stream, units: Ints, day: int) -> None:
    stream.block_n[units] = 0.0
    stream.block_m[units] = 0.0
    stream.block_days[units] = 0
    stream.block_starts[units] = 0
    stream.block_from[units] = day


def forget_recent(stream: Stream, units: Ints) -> None:
    """Drop the decaying sums of units, as after a visit."""
    for array in (stream.recent_n, stream.recent_m, stream.recent_w, stream.slow_n, stream.slow_m, stream.slow_w):
        array[units] = 0.0


def restart(stream: Stream, units: Ints, day: int) -> None:
    """Let units begin anew from the prior of their class."""
    forget_recent(stream, units)
    _clear_block(stream, units, day)
    stream.base_n[units] = 0.0
    stream.base_m[units] = 0.0
    stream.base_blocks[units] = 0
    solve(stream, units)
