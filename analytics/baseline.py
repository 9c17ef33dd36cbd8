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

import numpy as np
from numpy.typing import NDArray

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
    cov = np.linalg.inv(np.linalg.inv(stream.prior.sigma) + a)
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
    p = x.shape[1]
    rows, columns = np.triu_indices(p)
    xw = x * w[:, None]
    flat = np.empty((len(y), len(rows) + p + 2))
    np.multiply(xw[:, rows], x[:, columns], out=flat[:, : len(rows)])
    np.multiply(xw, y[:, None], out=flat[:, len(rows) : len(rows) + p])
    flat[:, -2] = w
    flat[:, -1] = 1.0
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    total = np.add.reduceat(flat, starts, axis=0) if len(starts) else flat[:0]
    gain = 1.0 / (1.0 + day_variance * total[:, -2])
    n = np.empty((len(starts), p, p))
    n[:, rows, columns] = total[:, : len(rows)] * gain[:, None]
    n[:, columns, rows] = n[:, rows, columns]
    m = total[:, len(rows) : len(rows) + p] * gain[:, None]
    return DaySums(unit[starts], n, m, total[:, -1].astype(np.int64))


def add(stream: Stream, sums: DaySums, options: Options) -> None:
    """Add a day's sums to the block and to the decaying sums of the units that had starts."""
    u = sums.unit
    stream.block_n[u] += sums.n
    stream.block_m[u] += sums.m
    stream.block_days[u] += 1
    stream.block_starts[u] += sums.starts
    for n, m, w, half_life_d in (
        (stream.recent_n, stream.recent_m, stream.recent_w, options.recent_half_life_d),
        (stream.slow_n, stream.slow_m, stream.slow_w, options.slow_half_life_d),
    ):
        keep = 2.0 ** (-1.0 / half_life_d)
        n[u] = keep * n[u] + sums.n
        m[u] = keep * m[u] + sums.m
        w[u] = np.array([keep, keep * keep]) * w[u] + 1.0


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
