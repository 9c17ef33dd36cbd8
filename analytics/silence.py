"""Is a unit silent, or is it only mild outside? Starts missed since its last one, by what its peers have done.

When our own intake is out, no peer starts either, so nobody is expected to. Peers are units of a like climate: where
it is mild all rest, whatever others do. Those that cool say nothing of a unit that was last heard heating, nor the
other way round.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.channels import COOLING_FROM_C
from analytics.compact import Halves, Singles
from analytics.options import DAY_US
from analytics.spd import Reals
from analytics.tables import Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HISTORY_D = 42
MOST = 255
"""Starts of a day that are counted."""
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
LIKE_K = 4.0
"""Peers are units whose air of late is as warm as a unit's last, within so much."""
CLIMATE_HALF_LIFE_D = 14.0
"""Half-life of the air temperature that units are likened by, days with starts."""


@dataclass
class Activity:
    """Starts by unit and day of the last 42 days, a ring, and what became of each unit since its last start.

    More than 255 starts a day count as so many, so that a unit which starts without end is missed no sooner.
    ``outdoor_c`` is the air temperature of its last start and ``climate_c`` that of its last weeks; ``rate`` are
    starts a day before its present pause, ``worth`` the same in those of an average peer, and ``missed`` the starts
    expected since.
    """

    ring: NDArray[np.uint8]
    outdoor_c: Halves
    climate_c: Singles
    side: NDArray[np.int8]
    rate: Halves
    worth: Halves
    missed: Halves


def begin(units: int) -> Activity:
    """Return the state before the first start."""
    return Activity(
        ring=np.zeros((units, HISTORY_D), dtype=np.uint8),
        outdoor_c=np.full(units, np.nan, dtype=np.float16),
        climate_c=np.full(units, np.nan, dtype=np.float32),
        side=np.full(units, EITHER, dtype=np.int8),
        rate=np.zeros(units, dtype=np.float16),
        worth=np.zeros(units, dtype=np.float16),
        missed=np.zeros(units, dtype=np.float16),
    )


def turn(state: Activity, day: int) -> None:
    """Begin a day."""
    state.ring[:, day % HISTORY_D] = 0


def take(state: Activity, day: int, unit: Ints, outdoor_c: Reals, cooling: Reals) -> None:
    """Add a span of starts, which stand by unit and instant; ``cooling`` is 1 or 0, NaN where it is not told."""
    slot = day % HISTORY_D
    state.ring[:, slot] = np.minimum(state.ring[:, slot] + np.bincount(unit, minlength=len(state.ring)), MOST)
    known = np.isfinite(outdoor_c)
    state.outdoor_c[unit[known]] = outdoor_c[known]
    count = np.bincount(unit[known], minlength=len(state.ring))
    met = np.flatnonzero(count)
    mean_c = np.bincount(unit[known], outdoor_c[known], len(state.ring))[met] / count[met]
    was = np.where(np.isnan(state.climate_c[met]), mean_c, state.climate_c[met])
    state.climate_c[met] = mean_c + 2.0 ** (-1.0 / CLIMATE_HALF_LIFE_D) * (was - mean_c)
    warm = np.where(np.isfinite(cooling), cooling > 0, outdoor_c >= COOLING_FROM_C)
    state.side[unit] = np.where(known | np.isfinite(cooling), np.where(warm, COOLING, HEATING), EITHER)


def close(state: Activity, day: int, first_start_at: Ints) -> None:
    """End a day: count what each quiet unit has missed on it.

    Parameters
    ----------
    first_start_at : instants, microseconds since 1970 UTC; after the day for units not heard of yet
    """
    slot, yesterday = day % HISTORY_D, (day - 1) % HISTORY_D
    age_d = day - first_start_at // DAY_US
    today = state.ring[:, slot].astype(np.float64)
    quiet = (today == 0) & (age_d > 0)
    state.missed[~quiet] = 0.0
    if not quiet.any():
        return
    total = state.ring.sum(axis=1, dtype=np.int64)
    rate = (total - today) / np.clip(age_d, 1, HISTORY_D - 1)
    order = np.flatnonzero(total > 0)
    order = order[np.argsort(state.climate_c[order], kind="stable")]  # those that tell none stand last
    # What a unit is used to is known best when its pause begins.
    new = np.flatnonzero(quiet & (state.ring[:, yesterday] > 0))
    others, peers = _of_peers(state, rate, order[rate[order] > 0], new)
    long = np.minimum(age_d[new], HISTORY_D - 1) >= LEAST_D
    many = long & (others > 0) & (peers > PEERS)
    state.rate[new] = np.where(long, rate[new], 0.0)
    state.worth[new] = np.where(many, rate[new] / np.where(many, others, 1.0), 0.0)
    units = np.flatnonzero(quiet & (state.worth > 0))
    missed = state.missed[units] + state.worth[units] * _of_peers(state, today, order, units)[0]
    state.missed[units] = np.minimum(missed, 2.0 * MISSED)


def _of_peers(state: Activity, value: Floats, order: Ints, units: Ints) -> tuple[Floats, Ints]:
    """Return the mean of a value over the peers of some units, and how many these are, itself among them.

    Peers are those of ``order``, by climate, within `LIKE_K`; the value of one on the other side counts as none. Of a
    unit that tells no temperature all are peers.
    """
    mean, count = np.zeros(len(units)), np.zeros(len(units), dtype=np.int64)
    climate_c, values, sides = state.climate_c[order], value[order], state.side[order]
    climate_c = climate_c[~np.isnan(climate_c)]
    for side in (HEATING, COOLING, EITHER):
        mine = np.flatnonzero(state.side[units] == side)
        if not len(mine):
            continue
        alike = (sides == side) | (sides == EITHER) | (side == EITHER)
        total = np.concatenate([[0.0], np.cumsum(np.where(alike, values, 0.0))])
        own = state.climate_c[units[mine]]
        low, high = (np.searchsorted(climate_c, own + by) for by in (-LIKE_K, LIKE_K))
        low, high = np.where(np.isnan(own), 0, low), np.where(np.isnan(own), len(order), high)
        count[mine] = high - low
        mean[mine] = (total[high] - total[low]) / np.maximum(high - low, 1)
    return mean, count


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
    lively = int(np.sum(seen & (quiet_d < QUIET_D)))
    mild = np.isnan(state.outdoor_c) | ((state.outdoor_c >= MILD_C[0]) & (state.outdoor_c <= MILD_C[1]))
    hard = (state.rate >= 2.0) & ~mild & ((lively > 0) | (seen.sum() == 1))
    alone = (state.worth == 0) & (quiet_d >= ALONE_D) & hard
    return np.asarray(seen & (quiet_d >= QUIET_D) & ((state.missed >= MISSED) | alone))
