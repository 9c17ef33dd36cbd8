"""Intervals of shares and of rates: how much a count of few events leaves open.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4 and 7.2.4.1 (proportions; Wilson's method; exact).
.. [2] Newcombe (1998), Two-sided confidence intervals for the single proportion, Statistics in Medicine 17, 857-872.
.. [3] Brown, Cai, DasGupta (2001), Interval estimation for a binomial proportion, Statistical Science 16, 101-133.
.. [4] Garwood (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437-442.
.. [5] Przyborowski & Wilenski (1940), Homogeneity of results in testing samples from Poisson series, Biometrika 31,
   313-323: two counts, given their sum, are binomial.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, gammaincinv
from scipy.stats import binomtest, norm

Floats = NDArray[np.float64]

Method = Literal["wilson", "exact", "jeffreys"]


class Ends(NamedTuple):
    """Lower and upper end of an interval; arrays where the counts are."""

    low: Floats
    high: Floats


class Ratio(NamedTuple):
    """A rate over another, its interval, and the probability of a difference at least as large by chance."""

    ratio: float
    low: float
    high: float
    p: float


def share(count: ArrayLike, of: ArrayLike, level: float = 0.90, method: Method = "wilson") -> Ends:
    """Return the two-sided interval of a share.

    Parameters
    ----------
    count, of : int or array
        Events, 0 to ``of``, and trials, 1 or more.
    level : float
        Coverage, 0 to 1. An end alone is one-sided at half of what is left.
    method : str
        ``wilson`` [1]_ [2]_ holds the level on average; ``exact`` (Clopper and Pearson, [1]_) never less, so it is
        wide; ``jeffreys`` [3]_ is the posterior of a half-event prior, as in the locked-start ratio of a verdict, with
        its end at 0 or 1 where no event or nothing but events was seen.
    """
    x, n = np.asarray(count, dtype=np.float64), np.asarray(of, dtype=np.float64)
    tail = (1 - level) / 2
    if method == "wilson":
        z = float(norm.isf(tail))
        middle = (x + z * z / 2) / (n + z * z)
        half = z / (n + z * z) * np.sqrt(x * (n - x) / n + z * z / 4)
        low, high = middle - half, middle + half
    else:
        # Clopper and Pearson's ends are beta quantiles of x and of x + 1 events; the half-event prior lies between.
        a, b = (0.5, 0.5) if method == "jeffreys" else (0.0, 1.0)
        with np.errstate(invalid="ignore"):
            low = betaincinv(x + a, n - x + b, tail)
            high = betaincinv(x + b, n - x + a, 1 - tail)
    return Ends(np.where(x == 0, 0.0, np.maximum(low, 0.0)), np.where(x == n, 1.0, np.minimum(high, 1.0)))


def count(events: ArrayLike, level: float = 0.90) -> Ends:
    """Return the exact two-sided interval of the mean of a Poisson count [4]_; divide by the exposure for a rate."""
    x = np.asarray(events, dtype=np.float64)
    tail = (1 - level) / 2
    return Ends(np.where(x == 0, 0.0, gammaincinv(np.maximum(x, 0.5), tail)), gammaincinv(x + 1, 1 - tail))


def rate_ratio(events: int, exposure: float, others: int, other_exposure: float, level: float = 0.90) -> Ratio:
    """Return a Poisson rate over another with its exact interval and two-sided probability, given the sum [5]_.

    Parameters
    ----------
    events, others : int
        Counts, not both 0.
    exposure, other_exposure : float
        What they were counted over, above 0, in one unit.

    Raises
    ------
    ValueError
        Where nothing was counted at all.
    """
    total = events + others
    if total == 0:
        raise ValueError("rate_ratio: nothing was counted on either side")
    part = exposure / (exposure + other_exposure)
    ends = share(events, total, level, "exact")
    odds = [float(end / (1 - end)) if end < 1 else float("inf") for end in ends]
    per = other_exposure / exposure
    ratio = events / others * per if others else float("inf")
    return Ratio(ratio, odds[0] * per, odds[1] * per, float(binomtest(events, total, part).pvalue))
