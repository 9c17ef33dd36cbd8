"""Attempts in a row: which start is a retry, when the third locked start in a row makes a lockout, when it is over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.tables import LOCKED, RAN, Ints

Bools = NDArray[np.bool_]

LOCKOUT_TRIES = 3
"""Locked starts with no run between them that make a lockout (common practice, no source)."""
RETRY_US = 20 * 60 * 1_000_000
"""A start this soon after a locked one is its retry where the logger does not count them."""
NEVER = -(2**62)


@dataclass
class Attempts:
    """What stands between one day and the next, one entry a unit; instants in microseconds."""

    locked_in_row: Ints
    last_locked_at: Ints
    last_ran_at: Ints
    last_start_at: Ints
    lockout_at: Ints
    lockouts: Ints


def begin(units: int) -> Attempts:
    """Return the state before the first start."""
    never = np.full(units, NEVER, dtype=np.int64)
    zero = np.zeros(units, dtype=np.int64)
    return Attempts(zero, never, never.copy(), never.copy(), never.copy(), zero.copy())


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
    count = len(unit)
    first_of_unit = np.ones(count, dtype=bool)
    first_of_unit[1:] = unit[1:] != unit[:-1]
    locked, ran = outcome == LOCKED, outcome == RAN
    # Locked starts since the last run: a running count less its value at that run, or with what was carried over.
    total = np.cumsum(locked)
    index = np.arange(count)
    begins = np.maximum.accumulate(np.where(first_of_unit, index, 0)) if count else index
    last_ran = np.maximum.accumulate(np.where(ran, index, -1)) if count else index
    since_ran = last_ran >= begins
    before = np.where(begins > 0, total[begins - 1], 0)
    row = np.where(since_ran, total - total[np.maximum(last_ran, 0)], total - before + state.locked_in_row[unit])
    row_before = np.where(index > begins, np.roll(row, 1), state.locked_in_row[unit])
    last_locked = np.maximum.accumulate(np.where(locked, index, -1)) if count else index
    earlier = np.roll(last_locked, 1)
    earlier_at = np.where(
        (index > begins) & (earlier >= begins), at[np.maximum(earlier, 0)], state.last_locked_at[unit]
    )
    near = (row_before > 0) & (at - np.maximum(earlier_at, NEVER // 2) <= RETRY_US)
    first = np.where(np.isnan(retry), ~near, retry == 0)
    third = locked & (row == LOCKOUT_TRIES)
    last = np.ones(count, dtype=bool)
    last[:-1] = unit[1:] != unit[:-1]
    state.locked_in_row[unit[last]] = row[last]
    for kept, place in (
        (state.last_locked_at, last_locked[last]),
        (state.last_ran_at, last_ran[last]),
        (state.last_start_at, index[last]),
    ):
        today = place >= begins[last]
        kept[unit[last][today]] = np.maximum(kept[unit[last][today]], at[place[today]])
    told_unit, told_at = told
    # The control's report of a lockout that was counted already is the same lockout.
    own = np.array(
        [
            not np.any(third & (unit == u) & (np.abs(at - t) < RETRY_US))
            for u, t in zip(told_unit, told_at, strict=True)
        ],
        dtype=bool,
    )
    own &= np.abs(told_at - np.maximum(state.lockout_at[told_unit], NEVER // 2)) >= RETRY_US
    out = np.concatenate([unit[third], told_unit[own]])
    np.maximum.at(state.lockout_at, unit[third], at[third])
    np.maximum.at(state.lockout_at, told_unit, told_at)
    np.add.at(state.lockouts, out, 1)
    return np.asarray(first, dtype=bool), np.asarray(out, dtype=np.int64)


def down(state: Attempts) -> Bools:
    """Return which units are locked out now: a lockout and no run after it."""
    return (state.lockout_at > NEVER) & (state.lockout_at >= state.last_ran_at)
