"""What each unit's logger tells of the conditions of a start, so that starts are compared with their like only.

A baseline that was learned with the outdoor temperature does not know what to expect of a start without one, and one
that was learned without cannot use it. Nothing is made up for what is missing: such starts are not compared, and what
is new is left out, until it has lasted and the unit learns anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.spd import Reals
from analytics.tables import Ints

Bools = NDArray[np.bool_]

FIELDS = ("outdoor_c", "line_v", "off_s")
"""Conditions that move the expected run-up time for weeks on end; closing angles spread evenly and do not."""
LASTS_D, LASTS_LEARNING_D = 14, 3
"""Days in a row with starts after which another set of fields is there to stay; the same while a unit still learns."""


@dataclass
class Told:
    """Which fields a unit usually tells, (units, 3), whether that is known, and for how many days it was otherwise."""

    usual: Bools
    known: Bools
    away_d: NDArray[np.int8]


def begin(units: int) -> Told:
    """Return the state before the first start."""
    k = len(FIELDS)
    return Told(np.zeros((units, k), bool), np.zeros(units, bool), np.zeros((units, k), np.int8))


def take(state: Told, unit: Ints, field: Mapping[str, Reals]) -> tuple[dict[str, Reals], Bools]:
    """Take in a span of starts, which stand by unit; return what may be used of them and which can be compared.

    Parameters
    ----------
    field : (starts,) arrays by the names of ``FIELDS``, NaN where not told

    Returns
    -------
    usable : the same, NaN where the unit does not usually tell it
    alike : (starts,) whether a start tells all that its unit usually does
    """
    has = np.stack([np.isfinite(field[name]) for name in FIELDS])
    alike, more = _compare(unit, has, state.usual, state.known, state.away_d)
    used = {}
    for k, name in enumerate(FIELDS):
        values = field[name]
        used[name] = np.where(state.usual[unit, k], values, np.nan).astype(values.dtype) if more[k] else values
    return used, alike


@numba.njit(cache=True)
def _compare(unit: Ints, has: Bools, usual: Bools, known: Bools, away_d: NDArray[np.int8]) -> tuple[Bools, Bools]:
    """Bring the state up to a day's starts; return which are alike, and of which fields any tells more than usual."""
    fields, count = has.shape
    alike, more = np.ones(count, dtype=np.bool_), np.zeros(fields, dtype=np.bool_)
    begins = 0
    while begins < count:
        u, ends = unit[begins], begins
        while ends < count and unit[ends] == u:
            ends += 1
        for k in range(fields):
            tell = 0
            for i in range(begins, ends):
                tell += has[k, i]
            mostly = 2 * tell > ends - begins
            if not known[u]:
                usual[u, k] = mostly
            away_d[u, k] = 0 if mostly == usual[u, k] else min(away_d[u, k] + 1, LASTS_D)
            if usual[u, k]:
                for i in range(begins, ends):
                    alike[i] &= has[k, i]
            elif tell > 0:
                more[k] = True
        known[u] = True
        begins = ends
    return alike, more


def lost(state: Told) -> Bools:
    """Return the units that lately told less than their baseline was learned with, (units,)."""
    return np.asarray(np.any(state.usual & (state.away_d > 0), axis=1))


def changed(state: Told, learned: Bools, quiet: Bools) -> Ints:
    """Return the units whose fields have been others for so long that they stay so, and take these for usual.

    Parameters
    ----------
    learned : (units,) whether the unit has a baseline
    quiet : (units,) whether no alarm stands: what a unit under alarm does now must not become its normal
    """
    over = (state.away_d >= np.where(learned, LASTS_D, LASTS_LEARNING_D)[:, None]) & quiet[:, None]
    units = np.flatnonzero(over.any(axis=1))
    state.usual[units] ^= over[units]
    state.away_d[units] = np.where(over[units], 0, state.away_d[units])
    return units
