"""Attempts in a row: which start is a retry, when the third locked start in a row makes a lockout, when it is over."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from analytics.tables import LOCKED, RAN, Ints

Bools = NDArray[np.bool_]

LOCKOUT_TRIES = 3
"""Locked starts with no run between them that make a lockout (common practice, no source)."""
RETRY_US = 20 * 60 * 1_000_000
"""A start this soon after a locked one is its retry where the logger does not count them."""
NEVER = -(2**62)
MANY = 255
"""Locked starts in a row that are counted."""


@dataclass
class Attempts:
    """What stands between one day and the next, one entry a unit; instants in microseconds."""

    locked_in_row: NDArray[np.uint8]
    last_locked_at: Ints
    last_ran_at: Ints
    last_start_at: Ints
    lockout_at: Ints


def begin(units: int) -> Attempts:
    """Return the state before the first start."""
    never = np.full(units, NEVER, dtype=np.int64)
    return Attempts(np.zeros(units, dtype=np.uint8), never, never.copy(), never.copy(), never.copy())


def take(
    state: Attempts,
    unit: Ints,
    at: Ints,
    outcome: NDArray[np.int8],
    retry: NDArray[np.float32],
    told: tuple[Ints, Ints],
) -> tuple[Bools, Ints]:
    """Take in the starts of a day, by unit and instant, and the lockouts that controls told of.

    Parameters
    ----------
    state : changed in place
    unit, at, outcome, retry : arrays, one entry a start; ``at`` in microseconds, ``retry`` NaN where not counted
    told : unit and instant of the controls' own lockouts in the same span

    Returns
    -------
    first : array of bool, true for first attempts
    lockout : array of the units that locked out, one entry a lockout
    """
    told_unit, told_at = told
    out_at, ran_at = state.lockout_at[told_unit], state.last_ran_at[told_unit]
    first, third = _take(
        unit,
        at,
        outcome,
        retry,
        state.locked_in_row,
        state.last_locked_at,
        state.last_ran_at,
        state.last_start_at,
    )
    own = np.zeros(len(told_unit), dtype=bool)
    for k, (u, t) in enumerate(zip(told_unit.tolist(), told_at.tolist(), strict=True)):
        mine, earlier = unit == u, told_unit[:k] == u
        out = np.concatenate([out_at[k : k + 1], at[mine & third & (at <= t)], told_at[:k][earlier]]).max()
        ran = np.concatenate([ran_at[k : k + 1], at[mine & (outcome == RAN) & (at <= t)]]).max()
        # The control's report of a lockout that was counted already, and has not ended since, is the same lockout.
        counted = out > NEVER and (out >= ran or t - out < RETRY_US)
        own[k] = not counted and not np.any(mine & third & (np.abs(at - t) < RETRY_US))
    lockouts = np.concatenate([unit[third], told_unit[own]])
    np.maximum.at(state.lockout_at, unit[third], at[third])
    np.maximum.at(state.lockout_at, told_unit, told_at)
    return first, np.asarray(lockouts, dtype=np.int64)


@numba.njit(cache=True)
def _take(
    unit: Ints,
    at: Ints,
    outcome: NDArray[np.int8],
    retry: NDArray[np.float32],
    locked_in_row: NDArray[np.uint8],
    last_locked_at: Ints,
    last_ran_at: Ints,
    last_start_at: Ints,
) -> tuple[Bools, Bools]:
    """Follow the attempts; return which were the first of theirs, and which the third locked one in a row."""
    first, third = np.empty(len(unit), dtype=np.bool_), np.zeros(len(unit), dtype=np.bool_)
    for k in range(len(unit)):
        u = unit[k]
        near = locked_in_row[u] > 0 and at[k] - max(last_locked_at[u], NEVER // 2) <= RETRY_US
        first[k] = not near if np.isnan(retry[k]) else retry[k] == 0
        if outcome[k] == LOCKED:
            locked_in_row[u] = min(locked_in_row[u] + 1, MANY)
            last_locked_at[u] = max(last_locked_at[u], at[k])
            third[k] = locked_in_row[u] == LOCKOUT_TRIES
        elif outcome[k] == RAN:
            locked_in_row[u] = 0
            last_ran_at[u] = max(last_ran_at[u], at[k])
        last_start_at[u] = max(last_start_at[u], at[k])
    return first, third


def down(state: Attempts) -> Bools:
    """Return which units are locked out now: a lockout and no run after it."""
    return (state.lockout_at > NEVER) & (state.lockout_at >= state.last_ran_at)
