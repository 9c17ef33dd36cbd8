r"""Is anything wrong with a unit? Run-up time, side channels and locked starts weighed together, in nats.

The logarithm of the Bayes factor of "one of the six causes" against "none" [1]_, over the recent and over the slower
window, whichever says more. A fault that moves what the logger measures beside the run-up time is found sooner; what
moves the run-up time alone, as harmless wandering does, has to move it further.

References
----------
.. [1] Kass & Raftery (1995), Bayes factors, J. American Statistical Association 90, 773-795, equation 1.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from analytics import cause, channels, drift
from analytics.baseline import Stream
from analytics.channels import Group
from analytics.options import Options
from analytics.spd import Reals

Floats = NDArray[np.float64]

GATE_SD = 1.0
"""A unit whose scaled statistic is below this in every direction does not start slower: nothing is weighed, unless"""
SLOW_REST_SD = 3.0
"""its pressures take longer to equalise by this many standard deviations, which short rests alone would show."""
ONE_DAY = 1
"""Days with starts of which nothing is said yet. After a visit nothing else is known, and a stray start of that
day is not yet told from a level that has moved: it takes another day."""
LOCKED_FREE_NATS = 3.0
"""Evidence of locked starts that chance alone often gives; only what is above it is added."""


def weigh(
    state: drift.Drift,
    stream: Stream,
    side: Mapping[str, Group],
    log_share: Floats,
    locked_nats: Reals,
    usable: NDArray[np.bool_],
    options: Options,
) -> Floats:
    """Return the nats that speak for a fault of each unit, (units,); 0 where nothing is slower than expected.

    Parameters
    ----------
    state : drift, tested today
    stream, side : run-up stream and channels
    log_share : (units, 6) log share of the causes, should there be one
    locked_nats : (units,) evidence that starts lock more often than expected
    usable : (units,) whether the unit has a baseline
    """
    out = np.zeros(len(usable))
    slower = (state.z / state.scale).max(axis=1)
    longer, longer_sd = channels.shift(side, "equalising", np.arange(len(usable)), "slow", options)
    told_of = usable & (stream.lately_days > ONE_DAY)
    with np.errstate(invalid="ignore"):
        units = np.flatnonzero(told_of & ((slower > GATE_SD) | (longer > SLOW_REST_SD * longer_sd)))
    if len(units) == 0:
        return out
    scale = float(state.scale[0])
    restless = drift.restless(state)[units]
    best = np.full(len(units), -np.inf)
    for window in ("recent", "slow"):
        told = cause.likelihoods(stream, side, units, restless, options, scale, window)
        total = np.sum(list(told.values()), axis=0)
        best = np.maximum(best, logsumexp(total[:, :-1] + log_share[units], axis=1) - total[:, -1])
    # What speaks against a fault also counts against its locked starts: chance alone gives many of those.
    out[units] = np.maximum(best + np.maximum(locked_nats[units] - LOCKED_FREE_NATS, 0.0), 0.0)
    return out
