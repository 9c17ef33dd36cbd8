from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from analytics import attempts
from analytics.tables import DROPPED, LOCKED, RAN

MINUTE = 60_000_000
NONE = (np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


def _take(
    state: attempts.Attempts, rows: list[tuple[int, int, int]], told: tuple = NONE
) -> tuple[list[bool], list[int]]:
    """Rows of unit, minute, outcome, by unit and minute; retries are not counted by the logger."""
    unit, at, outcome = (np.array(c, dtype=np.int64) for c in zip(*rows, strict=True)) if rows else (NONE[0],) * 3
    retry = np.full(len(unit), np.nan, dtype=np.float32)
    first, lockouts = attempts.take(state, unit, at * MINUTE, outcome.astype(np.int8), retry, told)
    return first.tolist(), sorted(lockouts.tolist())


def _reference(rows: list[tuple[int, int, int]], units: int) -> tuple[list[bool], list[int], list[bool]]:
    """The same, one start after the other, as one would explain it."""
    in_row, last_locked, out, down = [0] * units, [-(10**9)] * units, [], [False] * units
    first = []
    for unit, minute, outcome in rows:
        first.append(not (in_row[unit] > 0 and minute - last_locked[unit] <= 20))
        if outcome == RAN:
            in_row[unit], down[unit] = 0, False
        elif outcome == LOCKED:
            in_row[unit] += 1
            last_locked[unit] = minute
            if in_row[unit] == 3:  # common practice, no source
                out.append(unit)
                down[unit] = True
    return first, sorted(out), down


def test_the_third_locked_start_with_no_run_between_is_a_lockout() -> None:
    state = attempts.begin(1)
    first, lockouts = _take(state, [(0, 0, LOCKED), (0, 5, LOCKED), (0, 10, LOCKED)])
    assert (first, lockouts) == ([True, False, False], [0])
    assert attempts.down(state).tolist() == [True]


def test_a_run_between_begins_the_count_anew_and_a_dropped_start_does_not_count() -> None:
    state = attempts.begin(2)
    rows = [(0, 0, LOCKED), (0, 5, LOCKED), (0, 10, RAN), (0, 15, LOCKED)]
    rows += [(1, 0, LOCKED), (1, 5, DROPPED), (1, 10, LOCKED), (1, 15, DROPPED)]
    assert _take(state, rows)[1] == []
    assert _take(state, [(1, 20, LOCKED)])[1] == [1]


def test_a_run_clears_down_and_nothing_else_does() -> None:
    state = attempts.begin(1)
    _take(state, [(0, 0, LOCKED), (0, 5, LOCKED), (0, 10, LOCKED)])
    _take(state, [(0, 600, DROPPED)])
    assert attempts.down(state).tolist() == [True]
    _take(state, [(0, 700, RAN)])
    assert attempts.down(state).tolist() == [False]


def test_the_controls_own_report_makes_a_unit_down_and_is_not_counted_twice() -> None:
    state = attempts.begin(2)
    told = (np.array([0, 1]), np.array([11, 30]) * MINUTE)
    rows = [(0, 0, LOCKED), (0, 5, LOCKED), (0, 10, LOCKED)]
    assert _take(state, rows, told)[1] == [0, 1]
    assert attempts.down(state).tolist() == [True, True]


def test_a_lockout_that_a_control_reports_again_and_again_is_one_until_the_unit_has_run() -> None:
    state = attempts.begin(1)
    told = (np.zeros(3, dtype=np.int64), np.array([60, 120, 900]) * MINUTE)
    assert _take(state, [(0, 30, DROPPED)], told)[1] == [0]
    assert _take(state, [(0, 1440, DROPPED)], (np.array([0]), np.array([1500]) * MINUTE))[1] == []
    rows = [(0, 1600, RAN), (0, 1800, RAN)]
    assert _take(state, rows, (np.zeros(3, dtype=np.int64), np.array([1590, 1700, 1900]) * MINUTE))[1] == [0, 0]


@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 300), st.sampled_from([RAN, LOCKED, DROPPED])), max_size=40),
    st.lists(st.integers(0, 300), max_size=3),
)
def test_in_one_piece_or_in_several_it_is_what_one_start_after_the_other_gives(
    rows: list[tuple[int, int, int]], cuts: list[int]
) -> None:
    rows = sorted({(u, m): (u, m, o) for u, m, o in rows}.values())
    in_time = sorted(rows, key=lambda r: (r[1], r[0]))
    want_first, want_out, want_down = _reference(in_time, 3)
    told_first = dict(zip(in_time, want_first, strict=True))
    state, got_first, got_out = attempts.begin(3), {}, []
    edges = [-1, *sorted(cuts), 301]
    for low, high in itertools.pairwise(edges):
        part = [r for r in rows if low < r[1] <= high]
        first, out = _take(state, part)
        got_first.update(zip(part, first, strict=True))
        got_out += out
    assert got_first == told_first
    assert sorted(got_out) == want_out
    assert attempts.down(state).tolist() == want_down
