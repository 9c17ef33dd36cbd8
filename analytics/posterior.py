"""The posterior of the causes of every unit: who is asked about, and what the evidence says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics import attempts, cause, drift, grounds
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
    asked = flagged(state, instant) | attempts.down(state.tries)
    return np.flatnonzero(state.usable & ((evidence > WORTH_ASKING_NATS) | asked))


def causes(state: State, fleet: Fleet, units: Ints, instant: int) -> Floats:
    """Return the posterior of the seven hypotheses for all units, (units, 7).

    The evidence is asked for some of them; the others have the prior.
    """
    before = cause.log_prior(state.gear, fleet.metering, flagged(state, instant))
    share = np.exp(before)
    if len(units):
        share[units] = cause.posterior(np.sum(list(told(state, units).values()), axis=0), before[units])
    return share


def flagged(state: State, instant: int) -> Bools:
    """Return which units an alarm or a lockout asks about."""
    return state.drift.alarm | state.rate.alarm | locked_out(state, instant)


def told(state: State, units: Ints) -> dict[str, Floats]:
    """Return what each source of evidence says of some units: log likelihoods, (units, 7) each."""
    since = state.drift.since_day[units]
    return cause.terms(
        state.run_up,
        state.side,
        units,
        state.rate.score[units],
        state.rate.clues[units],
        np.where(since > 0, state.day + 1.0 - since, np.nan),
        drift.restless(state.drift)[units],
        state.options,
        float(state.drift.scale[0]),
    )


def speaking(state: State, fleet: Fleet, units: Ints, top: Ints, instant: int) -> list[list[str]]:
    """Return what speaks for and against the likeliest cause ``top`` of each of some units, as codes."""
    before = cause.log_prior(state.gear, fleet.metering, flagged(state, instant))[units]
    columns = grounds.weights(told(state, units), before, top)
    return [grounds.codes({source: float(values[k]) for source, values in columns.items()}) for k in range(len(units))]
