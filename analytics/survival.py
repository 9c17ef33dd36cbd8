"""How long something holds when much of it is still holding: Kaplan-Meier, the log-rank test, Weibull's law.

References
----------
.. [1] Kaplan & Meier (1958), Nonparametric estimation from incomplete observations, JASA 53, 457-481.
.. [2] Greenwood (1926), The natural duration of cancer, Reports on Public Health 33: the variance.
.. [3] Mantel (1966), Evaluation of survival data and two new rank order statistics, Cancer Chemotherapy Reports 50.
.. [4] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 (Weibull by maximum likelihood, censored).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.stats import CensoredData, norm, weibull_min
from scipy.stats import logrank as scipy_logrank

Floats = NDArray[np.float64]


class Curve(NamedTuple):
    """The share still holding after each time at which something ended: its standard error and interval."""

    time: Floats
    share: Floats
    error: Floats
    low: Floats
    high: Floats


class Weibull(NamedTuple):
    """Shape (below 1: ends come early; 1: at any age alike; above: with age), scale and log-likelihood."""

    shape: float
    scale: float
    log_likelihood: float


def kaplan_meier(time: ArrayLike, ended: ArrayLike, level: float = 0.90) -> Curve:
    """Return the product-limit estimate [1]_ with Greenwood's error [2]_.

    Parameters
    ----------
    time : array (N,)
        How long each was watched, 0 or more; something that ends and something that leaves at once ends first.
    ended : bool array (N,)
        Whether it had ended by then; else it was still holding.
    level : float
        Coverage of the interval, on the scale of log(-log S), which stays within 0 and 1.
    """
    t, over = np.asarray(time, dtype=np.float64), np.asarray(ended, dtype=bool)
    at, deaths = np.unique(t[over], return_counts=True)
    at_risk = len(t) - np.searchsorted(np.sort(t), at, side="left")
    share: Floats = np.cumprod(1 - deaths / at_risk).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.cumsum(deaths / (at_risk * (at_risk - deaths))))
        error = np.where(share > 0, share * root, 0.0)
        width = float(norm.isf((1 - level) / 2)) * root / np.log(share)
        low, high = share ** np.exp(-width), share ** np.exp(width)
    # Where nothing is left the interval has no closed form.
    return Curve(at, share, error, np.where(share > 0, low, 0.0), np.where(share > 0, high, np.nan))


def holding(curve: Curve, time: float) -> tuple[float, float | None, float | None]:
    """Return the share still holding after a time, with its interval; none before the first end."""
    k = int(np.searchsorted(curve.time, time, side="right")) - 1
    if k < 0:
        return 1.0, None, None
    high = float(curve.high[k])
    return float(curve.share[k]), float(curve.low[k]), None if math.isnan(high) else high


def median(curve: Curve) -> float | None:
    """Return the time by which half had ended; None where more than half are still holding."""
    below = np.flatnonzero(curve.share <= 0.5)
    return float(curve.time[below[0]]) if below.size else None


def log_rank(time: ArrayLike, ended: ArrayLike, other_time: ArrayLike, other_ended: ArrayLike) -> tuple[float, float]:
    """Return chi-squared with one degree of freedom and the two-sided probability that two groups hold alike [3]_."""
    found = scipy_logrank(_censored(time, ended), _censored(other_time, other_ended))
    return float(found.statistic) ** 2, float(found.pvalue)


def weibull(time: ArrayLike, ended: ArrayLike) -> Weibull:
    """Return Weibull's law by maximum likelihood [4]_; times above 0, and at least two different ones that ended.

    Raises
    ------
    ValueError
        Where fewer than two different times ended, which leaves the shape open.
    """
    t, over = np.asarray(time, dtype=np.float64), np.asarray(ended, dtype=bool)
    if len(np.unique(t[over])) < 2:
        raise ValueError("ended: a Weibull law wants two different times or more that ended")
    # The scale follows from the shape; the shape is the root of the one equation that is left.
    log_t, mean_log = np.log(t), float(np.log(t[over]).mean())

    def excess(shape: float) -> float:
        weight = np.exp(shape * (log_t - log_t.max()))
        return float((weight * log_t).sum() / weight.sum()) - 1 / shape - mean_log

    shape = float(brentq(excess, 0.01, 100.0, xtol=1e-10))
    scale = float(((t**shape).sum() / over.sum()) ** (1 / shape))
    told = weibull_min.logpdf(t[over], shape, scale=scale).sum() + weibull_min.logsf(t[~over], shape, scale=scale).sum()
    return Weibull(shape, scale, float(told))


def _censored(time: ArrayLike, ended: ArrayLike) -> CensoredData:
    t, over = np.asarray(time, dtype=np.float64), np.asarray(ended, dtype=bool)
    return CensoredData(uncensored=t[over], right=t[~over])
