"""The posterior of the causes of every unit: who is asked about, and what the evidence says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics import attempts, cause
from analytics.options import DAY_US
from analytics.state import State
from analytics.tables import Fleet, Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WORTH_ASKING_NATS = 2.0
"""Below this evidence nothing is asked about causes: the prior stands."""
RECENT_LOCKOUT_US = 14 * DAY_US


def locked_out(state: State, instant: int) -> Bools:
    """Return which units have locked out in the last fourteen days and have had no work done since."""
    at = state.tries.lockout_at
    return (at > attempts.NEVER) & (at >= instant - RECENT_LOCKOUT_US) & (at > state.worked_at)


def worth_asking(state: State, instant: int) -> Ints:
    """Return the units with a baseline about which there is anything to say."""
    evidence = np.maximum(state.drift.evidence, np.maximum(state.drift.nats, state.rate.score))
    flagged = state.drift.alarm | state.rate.alarm | locked_out(state, instant) | attempts.down(state.tries)
    return np.flatnonzero(state.usable & ((evidence > WORTH_ASKING_NATS) | flagged))


def causes(state: State, fleet: Fleet, units: Ints, instant: int) -> Floats:
    """Return the posterior of the seven hypotheses for all units, (units, 7).

    The evidence is asked for some of them; the others have the prior.
    """
    flagged = state.drift.alarm | state.rate.alarm | locked_out(state, instant)
    before = cause.log_prior(state.gear, fleet.metering, flagged)
    share = np.exp(before)
    if len(units):
        told = cause.terms(
            state.run_up,
            state.side,
            units,
            state.rate.score[units],
            state.rate.clues[units],
            state.options,
            float(state.drift.scale[0]),
        )
        share[units] = cause.posterior(np.sum(list(told.values()), axis=0), before[units])
    return share
