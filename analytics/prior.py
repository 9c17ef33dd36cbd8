r"""The fleet's prior, fitted to what the units have learned so far: class coefficients and the spread of units.

An expectation-maximisation on per-unit normal equations [1]_, itself under a prior, so that one formula serves one
unit and a hundred thousand: with few units it stays where it began, with many the fleet speaks for itself.

References
----------
.. [1] Laird & Ware (1982), Random-effects models for longitudinal data, Biometrics 38, 963-974, section 4.
"""

from __future__ import annotations

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline, spd
from analytics.baseline import Prior, Stream
from analytics.tables import Ints

Floats = NDArray[np.float64]

SIGMA_WEIGHT = 10.0
"""Units' worth of weight that the spread before data carries."""
CLASS_WEIGHT = 3.0
"""Units' worth of weight with which a class is held to the whole fleet."""
MOST = 30_000
"""Units that are asked; of a larger fleet one in two, in three, and so on."""


FIRST_ROUNDS, ROUNDS = 12, 4
"""EM rounds of the first fit, and of the later ones, which go on from the last; the prior is a starting point for
shrinkage, not a result."""


def fit(stream: Stream, quantity: int = 0, rounds: int | None = None) -> Prior:
    """Return the prior of a quantity fitted to what units have learned; those that have learned nothing do not count.

    Parameters
    ----------
    stream : its ``base``, ``mean``, ``klass`` and prior are read
    rounds : EM rounds

    Returns
    -------
    Prior with the same prior-before-data
    """
    prior = stream.priors[quantity]
    some = np.flatnonzero((stream.base_blocks > 0) & stream.told[:, quantity])
    if len(some) == 0:
        return prior
    # What some ten thousand units teach is known well enough; memory needs no more of them.
    some = some[:: -(-len(some) // MOST)]
    a, v = baseline.learned(stream, some, quantity)
    klass = stream.klass[some].astype(np.int64)
    classes = len(prior.beta)
    count = np.bincount(klass, minlength=classes)
    wide = np.linalg.inv(prior.spread0)
    sigma = prior.sigma if prior.fitted else prior.sigma0
    for _ in range(rounds or (ROUNDS if prior.fitted else FIRST_ROUNDS)):
        inverse = np.linalg.inv(sigma)
        cov = spd.inverses(a, spd.ridge(inverse))
        pulled = spd.times(cov, v)
        # Generalised least squares weight and response of each unit with its own deviation integrated out: A - A C A
        # and v - A C v, which for C = (A + S)^-1 are S - S C S and S C v, so that only C and C v are summed.
        spread = spd.full(_by_class(cov, klass, classes))
        weight = count[:, None, None] * inverse - inverse @ spread @ inverse
        response = _by_class(pulled, klass, classes) @ inverse
        pooled = np.linalg.solve(weight.sum(axis=0) + wide, response.sum(axis=0) + wide @ prior.mean0)
        hold = CLASS_WEIGHT * inverse
        beta = np.linalg.solve(weight + hold, (response + hold @ pooled)[:, :, None])[:, :, 0]
        beta[count == 0] = pooled
        own = pulled + spd.times(cov, (beta @ inverse)[klass]) - beta[klass]
        sigma = (SIGMA_WEIGHT * prior.sigma0 + spread.sum(axis=0) + own.T @ own) / (SIGMA_WEIGHT + len(some))
        sigma = 0.5 * (sigma + sigma.T)
    # A class that no unit has shown yet may differ from the fleet by more than one unit of a known class does;
    # with few units in all, what is not known of the fleet belongs to what is not known of a unit.
    unknown = np.linalg.inv(weight.sum(axis=0) + wide)
    return Prior(beta, sigma + unknown, prior.mean0, prior.spread0, prior.sigma0, fitted=True)


@numba.njit(cache=True)
def _by_class(values: Floats, klass: Ints, classes: int) -> Floats:
    """Return the sums of the rows of each class, (classes, columns)."""
    out = np.zeros((classes, values.shape[1]))
    for u in range(len(values)):
        for k in range(values.shape[1]):
            out[klass[u], k] += values[u, k]
    return out
