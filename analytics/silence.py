"""Is a unit silent, or is it only mild outside? Starts expected since its last one, by what its peers have done.

When our own intake is out, no peer starts either, so nobody is expected to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.options import DAY_US
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HISTORY_D = 42
MISSED = 30.0
"""Expected starts without one at which a unit with peers is silent."""
QUIET_D = 3.0
ALONE_D = 10.0
PEERS = 5
MILD_C = (10.0, 24.0)
"""Air temperatures between which a unit may well rest for weeks."""


@dataclass
class Activity:
    """Starts by unit and day of the last 42 days, a ring, and the air temperature of the last start."""

    ring: Floats
    outdoor_c: Floats


def begin(units: int) -> Activity:
    """Return the state before the first start."""
    return Activity(np.zeros((units, HISTORY_D)), np.full(units, np.nan))


def turn(state: Activity, day: int) -> None:
    """Begin a day."""
    state.ring[:, day % HISTORY_D] = 0.0


def take(state: Activity, day: int, unit: Ints, outdoor_c: Floats) -> None:
    """Add a span of starts, which stand by unit and instant."""
    state.ring[:, day % HISTORY_D] += np.bincount(unit, minlength=len(state.ring))
    known = np.isfinite(outdoor_c)
    state.outdoor_c[unit[known]] = outdoor_c[known]


def silent(state: Activity, as_of: int, last_start_at: Ints, first_start_at: Ints) -> Bools:
    """Return which units have been silent for much longer than their peers lead one to expect.

    Parameters
    ----------
    as_of, last_start_at, first_start_at : instants, microseconds since 1970 UTC
    """
    day = as_of // DAY_US
    # Whole days only, newest first; column 0 is yesterday.
    ring = state.ring[:, (day - 1 - np.arange(HISTORY_D)) % HISTORY_D]
    seen = first_start_at < as_of
    quiet_us = np.where(seen, as_of - last_start_at, 0)
    quiet_d = quiet_us / DAY_US
    long = seen & (quiet_d >= QUIET_D)
    out = np.zeros(len(ring), dtype=bool)
    total = ring[seen].sum(axis=0)
    for u in np.flatnonzero(long):
        gap = int(min(quiet_d[u], HISTORY_D - 1))
        own_days = int(min((as_of - int(first_start_at[u])) // DAY_US, HISTORY_D))
        before = slice(gap, max(own_days, gap))
        if own_days - gap < 7:
            continue
        peers = total - ring[u]
        others = int(np.sum((ring[:, before].sum(axis=1) > 0) & seen)) - 1
        rate = float(ring[u, before].mean())
        if others >= PEERS:
            then, now = float(peers[before].mean()), float(peers[:gap].sum())
            expected = rate * now / then if then > 0 else 0.0
            out[u] = expected >= MISSED
        else:
            mild = np.isnan(state.outdoor_c[u]) or MILD_C[0] <= state.outdoor_c[u] <= MILD_C[1]
            out[u] = quiet_d[u] >= ALONE_D and rate >= 2.0 and not mild
    return out
