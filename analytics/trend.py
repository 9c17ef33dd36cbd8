"""Slow change of a series: Mann-Kendall's test and the Theil-Sen slope, which single odd values hardly move.

References
----------
.. [1] Gilbert (1987), Statistical Methods for Environmental Pollution Monitoring, chapter 16.
.. [2] Helsel & Hirsch, Statistical Methods in Water Resources, chapters 8 and 12.
.. [3] Sen (1968), Estimates of the regression coefficient based on Kendall's tau, JASA 63, 1379-1389.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import kendalltau, norm, theilslopes

EXACT_UP_TO = 10
"""Values up to which the test is by the exact distribution, where there are no ties [1]_."""


class Kendall(NamedTuple):
    """Mann-Kendall's S and tau, its normal deviate, and the two-sided probability (exact for short series)."""

    s: int
    tau: float
    z: float
    p: float
    p_normal: float


class Slope(NamedTuple):
    """The median of all pairwise slopes, with its interval, in units of y over units of x."""

    slope: float
    low: float
    high: float


def mann_kendall(y: ArrayLike) -> Kendall:
    """Return the test of a rising or falling series, in order of time, 3 or more values; NaN are passed over.

    The normal deviate has the correction for continuity and for ties [1]_ [2]_. ``p`` is exact up to 10 values
    without ties.
    """
    values = np.asarray(y, dtype=np.float64)
    values = values[np.isfinite(values)]
    n = len(values)
    s = int(sum(np.sign(values[i + 1 :] - values[i]).sum() for i in range(n - 1)))
    _, ties = np.unique(values, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0
    p_normal = 2 * float(norm.sf(abs(z)))
    p = p_normal
    if n <= EXACT_UP_TO and ties.max(initial=1) == 1:
        p = float(kendalltau(np.arange(n), values, method="exact").pvalue)
    pairs = n * (n - 1) / 2
    return Kendall(s, s / pairs if pairs else 0.0, z, p, p_normal)


def theil_sen(x: ArrayLike, y: ArrayLike, level: float = 0.90) -> Slope:
    """Return the median slope of y over x with its interval [2]_ [3]_; 3 or more points, missing ones passed over."""
    at, values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    known = np.isfinite(at) & np.isfinite(values)
    found = theilslopes(values[known], at[known], alpha=level)
    return Slope(float(found.slope), float(found.low_slope), float(found.high_slope))
