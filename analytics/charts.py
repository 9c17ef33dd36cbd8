"""Control charts of single values: EWMA, CUSUM, individuals and shares, and how long each runs before it signals.

Charts run along the last axis, one row a unit; a value that is missing (NaN) leaves a chart where it was.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods: 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA),
   6.3.3.2 (proportions).
.. [2] Page (1954), Continuous inspection schemes, Biometrika 41, 100-115: the integral equation of the run length.
.. [3] Lucas & Crosier (1982), Fast initial response for CUSUM quality-control schemes, Technometrics 24, 199-205.
.. [4] Lucas & Saccucci (1990), Exponentially weighted moving average control schemes, Technometrics 32, 1-12.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.stats import norm

Floats = NDArray[np.float64]

RANGE_PER_SD = 1.128
"""Mean range of two normal values over their standard deviation, d2 for n = 2 [1]_."""
NODES = 96
"""Gauss-Legendre points of the integral equations: enough for six digits with limits up to 10 standard deviations."""


def ewma(
    x: ArrayLike,
    lam: float,
    target: ArrayLike,
    sd: ArrayLike,
    limit: float,
    *,
    settled: bool = True,
) -> tuple[Floats, Floats, Floats]:
    """Return the exponentially weighted moving average of values, and its control limits.

    Parameters
    ----------
    x : array (..., T)
        Values, in order of time.
    lam : float
        Weight of the newest value, above 0 and up to 1.
    target, sd : float or array (...)
        Mean and standard deviation of single values in control; the average begins at the target.
    limit : float
        Distance of the limits in standard deviations of the average, above 0.
    settled : bool
        Limits as they are in the long run; else those of each moment, which begin narrower.

    Returns
    -------
    z, upper, lower : arrays (..., T)
        The average after each value, and its limits [1]_, section 6.3.2.4.
    """
    values = np.asarray(x, dtype=np.float64)
    centre, spread = np.asarray(target, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    z = np.empty(values.shape)
    now = np.broadcast_to(centre, values.shape[:-1]).astype(np.float64)
    seen = np.zeros(values.shape[:-1])
    share = np.empty(values.shape)
    for t in range(values.shape[-1]):
        here = values[..., t]
        known = np.isfinite(here)
        now = np.where(known, lam * np.where(known, here, 0.0) + (1 - lam) * now, now)
        seen = seen + known
        z[..., t] = now
        share[..., t] = 1.0 if settled else np.sqrt(1 - (1 - lam) ** (2 * seen))
    width = limit * math.sqrt(lam / (2 - lam)) * spread[..., None] * share
    return z, centre[..., None] + width, centre[..., None] - width


def cusum(x: ArrayLike, target: ArrayLike, k: ArrayLike, *, start: ArrayLike = 0.0) -> tuple[Floats, Floats]:
    """Return the upper and the lower cumulative sum of values: max(0, S + x - target - k), and likewise below.

    Parameters
    ----------
    x : array (..., T)
        Values, in order of time.
    target, k : float or array (...)
        Mean in control, and the slack in units of x, commonly half of the shift to be found.
    start : float or array (...)
        Both sums before the first value: 0, or a head start [3]_.

    Returns
    -------
    high, low : arrays (..., T)
        The sums after each value, 0 or more [1]_, section 6.3.2.3. A signal is a sum above the decision interval.
    """
    values = np.asarray(x, dtype=np.float64)
    centre, slack = np.asarray(target, dtype=np.float64), np.asarray(k, dtype=np.float64)
    high, low = np.empty(values.shape), np.empty(values.shape)
    up = np.broadcast_to(np.asarray(start, dtype=np.float64), values.shape[:-1]).astype(np.float64)
    down = up.copy()
    for t in range(values.shape[-1]):
        here = values[..., t]
        known = np.isfinite(here)
        off = np.where(known, here, 0.0) - centre
        up = np.where(known, np.maximum(0.0, up + off - slack), up)
        down = np.where(known, np.maximum(0.0, down - off - slack), down)
        high[..., t], low[..., t] = up, down
    return high, low


def moving_range_sd(x: ArrayLike) -> Floats:
    """Return the standard deviation of single values by their mean moving range over 1.128; NaN for fewer than two.

    Unlike the plain one it hardly grows with a slow drift or a step in the level [1]_, section 6.3.2.2. ``x`` is an
    array (..., T) in order of time; the result has shape (...). Missing values are passed over with their two ranges.
    """
    ranges = np.abs(np.diff(np.asarray(x, dtype=np.float64), axis=-1))
    known = np.isfinite(ranges)
    count = known.sum(axis=-1)
    total = np.where(known, ranges, 0.0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan) / RANGE_PER_SD


def share_limits(share: float, count: ArrayLike, limit: float = 3.0) -> tuple[Floats, Floats]:
    """Return the control limits of a share of ``count`` where the common share is ``share``, held within 0 and 1.

    The chart of proportions [1]_, section 6.3.3.2; the normal approximation wants count x share of 5 or more.
    """
    width = limit * np.sqrt(share * (1 - share) / np.asarray(count, dtype=np.float64))
    return np.clip(share - width, 0.0, 1.0), np.clip(share + width, 0.0, 1.0)


def arl_cusum(shift: float, k: float, h: float, *, start: float = 0.0, two_sided: bool = True) -> float:
    """Return the average run length of a CUSUM of independent normal values [2]_.

    Parameters
    ----------
    shift : float
        Shift of the mean, in standard deviations.
    k, h : float
        Slack and decision interval in standard deviations; h above 0 and up to about 10.
    start : float
        Both sums before the first value, 0 to h.
    two_sided : bool
        Both sums, or the upper alone.
    """
    from_zero, from_start = _arl_upper(shift, k, h, start)
    if not two_sided:
        return from_start
    lower_zero, lower_start = _arl_upper(-shift, k, h, start)
    # While one sum is above its start the other is at 0 [3]_.
    both = from_start * lower_zero + lower_start * from_zero - from_zero * lower_zero
    return both / (from_zero + lower_zero)


def cusum_limit(arl: float, k: float, *, two_sided: bool = True) -> float:
    """Return the decision interval, in standard deviations, with which an undisturbed CUSUM runs ``arl`` values.

    ``arl`` is 10 to 1e5 values between false signals; ``k`` the slack, 0.1 to 1.
    """
    return float(brentq(lambda h: math.log(arl_cusum(0.0, k, h, two_sided=two_sided) / arl), 0.2, 40.0, xtol=1e-6))


def ewma_limit(arl: float, lam: float) -> float:
    """Return the limit, in standard deviations of the average, with which an undisturbed EWMA runs ``arl`` values.

    ``arl`` is 10 to 1e5 values between false signals on either side; ``lam`` the newest value's weight, 0.03 to 1.
    """
    return float(brentq(lambda limit: math.log(arl_ewma(0.0, lam, limit) / arl), 0.5, 6.0, xtol=1e-6))


def arl_ewma(shift: float, lam: float, limit: float) -> float:
    """Return the average run length of an EWMA with settled limits that begins at the target [4]_.

    ``shift`` of the mean in standard deviations of single values, ``limit`` in those of the average; with a weight
    of 1 it is the chart of single values.
    """
    h = limit * math.sqrt(lam / (2 - lam))
    y, weight = np.polynomial.legendre.leggauss(NODES)
    y, weight = h * y, h * weight

    def kernel(z: Floats) -> Floats:
        step = (y[None, :] - (1 - lam) * z[:, None]) / lam - shift
        return np.asarray(weight * norm.pdf(step) / lam)

    run = np.linalg.solve(np.eye(NODES) - kernel(y), np.ones(NODES))
    return 1.0 + float((kernel(np.zeros(1)) @ run)[0])


def _arl_upper(shift: float, k: float, h: float, start: float) -> tuple[float, float]:
    """Return the upper sum's average run length from 0 and from ``start``, by the integral equation [2]_."""
    y, weight = np.polynomial.legendre.leggauss(NODES)
    # The sum rests at 0 with a probability of its own: the last unknown is the run length from there.
    y, weight = np.append(h * (y + 1) / 2, 0.0), np.append(h * weight / 2, 0.0)

    def kernel(z: Floats) -> Floats:
        step = y[None, :] - z[:, None] + k - shift
        inside = weight * norm.pdf(step)
        inside[:, -1] = norm.cdf(k - shift - z)
        return np.asarray(inside)

    run = np.linalg.solve(np.eye(NODES + 1) - kernel(y), np.ones(NODES + 1))
    return float(run[-1]), 1.0 + float((kernel(np.array([start])) @ run)[0])
