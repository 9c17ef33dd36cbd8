"""Which cohorts of units are flagged more or less often than their peers: two shares, tested for what chance may do.

A share of few units is mostly chance. Beside the test the shares of one kind of cohort are pooled in part: each is
drawn towards the others, the more so the fewer its units and the less the cohorts differ.

References
----------
.. [1] Fisher (1935), The Design of Experiments, chapter II: the exact test of two shares.
.. [2] Benjamini & Hochberg (1995), Controlling the false discovery rate, J. R. Statist. Soc. B 57, 289-300.
.. [3] Gelman et al., Bayesian Data Analysis, 3rd ed., sections 5.1 and 5.3: many binomial shares with a common beta
   distribution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import betaincinv, betaln
from scipy.stats import false_discovery_control, fisher_exact

FALSE_DISCOVERY = 0.10
"""Share of those that stand out which may be chance."""


@dataclass(frozen=True)
class Pooled:
    """The share of a cohort flagged after partial pooling with its like: posterior mean and 90 % interval."""

    share: float
    low: float
    high: float


def spread(flagged: Sequence[int], judged: Sequence[int]) -> tuple[float, float]:
    """Return the beta distribution, alpha and beta, that the shares of cohorts are drawn from.

    The mode of its marginal posterior under the prior of [3]_, section 5.3, in the coordinates used there: the
    logarithms of alpha / beta and of alpha + beta.

    Parameters
    ----------
    flagged, judged : one entry a cohort; those without judged units say nothing
    """
    y, n = np.asarray(flagged, dtype=np.float64), np.asarray(judged, dtype=np.float64)

    def less(at: NDArray[np.float64]) -> float:
        total = np.exp(at[1])
        alpha = total / (1.0 + np.exp(-at[0]))
        beta = total - alpha
        told = np.sum(betaln(alpha + y, beta + n - y) - betaln(alpha, beta))
        return -float(told + np.log(alpha) + np.log(beta) - 2.5 * at[1])

    share = (y.sum() + 0.5) / (n.sum() + 1.0)
    start = np.array([np.log(share / (1.0 - share)), 2.0])
    # Beyond these limits a share is as good as none or all, and cohorts as good as alike.
    found = minimize(less, start, method="Nelder-Mead", bounds=[(-12.0, 12.0), (-2.0, 12.0)])
    total = float(np.exp(found.x[1]))
    alpha = total / (1.0 + float(np.exp(-found.x[0])))
    return alpha, total - alpha


def pool(cohorts: Sequence[tuple[int, int]]) -> list[Pooled | None]:
    """Return the share of each cohort flagged after partial pooling; None where no unit of any is judged.

    Parameters
    ----------
    cohorts
        Units flagged and units judged of each; all of one kind, such as models.
    """
    flagged, judged = [f for f, _ in cohorts], [n for _, n in cohorts]
    if not sum(judged):
        return [None] * len(cohorts)
    alpha, beta = spread(flagged, judged)
    return [_posterior(alpha + f, beta + n - f) for f, n in cohorts]


def _posterior(alpha: float, beta: float) -> Pooled:
    low, high = betaincinv(alpha, beta, [0.05, 0.95])
    return Pooled(alpha / (alpha + beta), float(low), float(high))


@dataclass(frozen=True)
class Against:
    """A cohort against all other units.

    Attributes
    ----------
    others_share : float, optional
        Share flagged of all units outside of it; None where none of those is judged.
    p : float, optional
        Probability of a difference at least as large by chance.
    stands_out : str, optional
        ``more`` or ``fewer``, at a false-discovery rate of 0.1 over all cohorts compared.
    """

    others_share: float | None = None
    p: float | None = None
    stands_out: Literal["more", "fewer"] | None = None


def against_others(cohorts: Sequence[tuple[int, int]], all_flagged: int, all_judged: int) -> list[Against]:
    """Compare the share flagged of each cohort with that of all units outside of it.

    Parameters
    ----------
    cohorts
        Units flagged and units judged of each.
    all_flagged, all_judged
        The same of the whole.
    """
    compared = [_against(flagged, judged, all_flagged, all_judged) for flagged, judged in cohorts]
    tested = [i for i, one in enumerate(compared) if one.p is not None]
    if not tested:
        return compared
    for i, q in zip(tested, false_discovery_control([compared[i].p or 0.0 for i in tested]), strict=True):
        if q <= FALSE_DISCOVERY:
            flagged, judged = cohorts[i]
            one = compared[i]
            more = flagged / judged > (one.others_share or 0.0)
            compared[i] = Against(one.others_share, one.p, "more" if more else "fewer")
    return compared


def _against(flagged: int, judged: int, all_flagged: int, all_judged: int) -> Against:
    others, of = all_flagged - flagged, all_judged - judged
    if judged == 0 or of == 0:
        return Against(others / of if of else None)
    p = float(fisher_exact([[flagged, judged - flagged], [others, of - others]])[1])
    return Against(others / of, p)
