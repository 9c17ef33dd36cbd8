"""Is a unit silent, or is it only mild outside? Starts missed since its last one, by what its peers have done.

When our own intake is out, no peer starts either, so nobody is expected to. Peers that cool say nothing of a unit that
was last heard heating, nor the other way round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.channels import COOLING_FROM_C
from analytics.options import DAY_US
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HISTORY_D = 42
LEAST_D = 7
"""Days of starts before a pause from which it is known how often a unit starts."""
MISSED = 30.0
"""Expected starts without one at which a unit with peers is silent."""
QUIET_D = 3.0
ALONE_D = 10.0
PEERS = 5
MILD_C = (10.0, 24.0)
"""Air temperatures between which a unit may well rest for weeks."""
HEATING, COOLING, EITHER = range(3)


@dataclass
class Activity:
    """Starts by unit and day of the last 42 days, a ring, and what became of each unit since its last start.

    ``fleet`` (42, 3) are the starts a unit of the whole fleet by day: in heating, in cooling, and all of them; what
    does not tell counts as both. ``rate`` are starts a day of each unit before its present pause, ``worth`` the same in
    those of an average unit, ``missed`` the starts expected of it since.
    """

    ring: NDArray[np.uint16]
    outdoor_c: NDArray[np.float32]
    side: NDArray[np.int8]
    fleet: Floats
    rate: NDArray[np.float32]
    worth: NDArray[np.float32]
    missed: NDArray[np.float32]


def begin(units: int) -> Activity:
    """Return the state before the first start."""
    return Activity(
        ring=np.zeros((units, HISTORY_D), dtype=np.uint16),
        outdoor_c=np.full(units, np.nan, dtype=np.float32),
        side=np.full(units, EITHER, dtype=np.int8),
        fleet=np.zeros((HISTORY_D, 3)),
        rate=np.zeros(units, dtype=np.float32),
        worth=np.zeros(units, dtype=np.float32),
        missed=np.zeros(units, dtype=np.float32),
    )


def turn(state: Activity, day: int) -> None:
    """Begin a day."""
    state.ring[:, day % HISTORY_D] = 0
    state.fleet[day % HISTORY_D] = 0.0


def take(state: Activity, day: int, unit: Ints, outdoor_c: Reals, cooling: Reals) -> None:
    """Add a span of starts, which stand by unit and instant; ``cooling`` is 1 or 0, NaN where it is not told."""
    slot = day % HISTORY_D
    state.ring[:, slot] += np.bincount(unit, minlength=len(state.ring)).astype(np.uint16)
    known = np.isfinite(outdoor_c)
    state.outdoor_c[unit[known]] = outdoor_c[known]
    warm = np.where(np.isfinite(cooling), cooling > 0, outdoor_c >= COOLING_FROM_C)
    side = np.where(known | np.isfinite(cooling), np.where(warm, COOLING, HEATING), EITHER)
    state.side[unit] = side
    state.fleet[slot] += [np.sum(side != COOLING), np.sum(side != HEATING), len(unit)]


def close(state: Activity, day: int, first_start_at: Ints) -> None:
    """End a day: count what each quiet unit has missed on it.

    Parameters
    ----------
    first_start_at : instants, microseconds since 1970 UTC; after the day for units not heard of yet
    """
    slot, before = day % HISTORY_D, (day - 1 - np.arange(HISTORY_D - 1)) % HISTORY_D
    age_d = day - first_start_at // DAY_US
    heard = int(np.sum(age_d >= 0))
    if heard == 0:
        return
    state.fleet[slot] /= heard
    quiet = (state.ring[:, slot] == 0) & (age_d > 0)
    state.missed[~quiet] = 0.0
    # What a unit is used to is known best when its pause begins.
    u = np.flatnonzero(quiet & (state.ring[:, (day - 1) % HISTORY_D] > 0))
    own_d = np.minimum(age_d[u], HISTORY_D - 1)
    starts = state.ring.sum(axis=1)[u]
    others = np.cumsum(state.fleet[before], axis=0)[np.maximum(own_d, 1) - 1, state.side[u]]
    long = own_d >= LEAST_D
    state.rate[u] = np.where(long, starts / np.maximum(own_d, 1), 0.0)
    state.worth[u] = np.where(long & (others > 0), starts / np.where(others > 0, others, 1.0), 0.0)
    state.missed[quiet] += (state.worth * state.fleet[slot][state.side])[quiet]


def silent(state: Activity, as_of: int, last_start_at: Ints, first_start_at: Ints) -> Bools:
    """Return which units have been silent for much longer than their peers lead one to expect.

    A unit with few peers, or without any, is silent after a longer time and in hard weather only; and not while none
    of the others is heard either.

    Parameters
    ----------
    as_of, last_start_at, first_start_at : instants, microseconds since 1970 UTC
    """
    seen = first_start_at < as_of
    quiet_d = np.where(seen, as_of - last_start_at, 0) / DAY_US
    active = state.ring.any(axis=1) & seen
    peers = active.sum() - active
    lively = int(np.sum(seen & (quiet_d < QUIET_D)))
    mild = np.isnan(state.outdoor_c) | ((state.outdoor_c >= MILD_C[0]) & (state.outdoor_c <= MILD_C[1]))
    alone = (quiet_d >= ALONE_D) & (state.rate >= 2.0) & ~mild & ((lively > 0) | (seen.sum() == 1))
    return np.asarray(seen & (quiet_d >= QUIET_D) & np.where(peers >= PEERS, state.missed >= MISSED, alone))
