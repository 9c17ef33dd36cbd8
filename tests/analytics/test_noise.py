from __future__ import annotations

import copy

import numpy as np
import pytest

from analytics import noise


def _fed(sd: float, angled: bool, starts: int = 20_000) -> noise.Noise:
    rng = np.random.default_rng(3)
    state = noise.begin()
    unit = np.repeat(np.arange(starts // 20), 20)
    level = np.full(starts, np.log(0.2))
    of_the_day = rng.normal(0, 0.1, starts // 20)[unit]
    residual = rng.normal(0, sd, starts) + of_the_day
    flags = np.full(starts, angled)
    nothing = np.zeros(starts // 20)
    for _ in range(2):  # the first time outliers are cut off at the scatter before data
        state.square[:], state.count[:] = 0.0, 0.0
        noise.take(state, unit, level + residual, level, nothing, nothing + 1e4, flags)
        noise.fit(state)
    return state


def _variance(state: noise.Noise, level: np.ndarray, angled: np.ndarray) -> np.ndarray:
    """Return the variance that single starts of as many units are given."""
    nothing = np.zeros(len(level))
    return noise.take(copy.deepcopy(state), np.arange(len(level)), level, level, nothing, nothing, angled)[1]


@pytest.mark.parametrize("angled", [False, True])
def test_the_scatter_within_days_is_found_whatever_the_days_share(angled: bool) -> None:
    got = np.sqrt(_variance(_fed(0.07, angled), np.log(np.array([0.2])), np.array([angled])))
    assert got[0] == pytest.approx(0.07, rel=0.1)


def test_before_data_an_unknown_closing_angle_scatters_more() -> None:
    level = np.log(np.array([0.2, 0.2]))
    unknown, known = _variance(noise.begin(), level, np.array([False, True]))
    assert unknown > known


def test_half_cycle_steps_bound_what_a_short_start_can_tell() -> None:
    # IEC 61000-4-30 refreshes every half cycle, 1/120 s: a rectangular error of that width has variance width^2 / 12.
    got = _variance(noise.begin(), np.log(np.array([0.05])), np.array([True]))[0]
    assert got > (1 / 120 / 0.05) ** 2 / 12


def test_nothing_to_take_is_taken_in_peace() -> None:
    empty = np.zeros(0)
    held, variance = noise.take(noise.begin(), empty.astype(np.int64), empty, empty, empty, empty, empty.astype(bool))
    assert len(held) == len(variance) == 0


def test_outliers_are_held_at_four_standard_deviations_from_where_the_unit_stands_now() -> None:
    state, level = noise.begin(), np.full(5, np.log(0.2))
    moved, unsure = np.array([0.3, 0.0]), np.array([0.0, 0.04])
    unit = np.array([0, 0, 0, 1, 1])
    y = level + np.array([0.35, 5.0, np.nan, -5.0, 0.1])
    held, variance = noise.take(state, unit, y, level, moved, unsure, np.ones(5, dtype=bool))
    # Before data, with the angle known, and steps of half a cycle of 60 Hz.
    expected = 0.10**2 + np.exp(-2.0 * (level + moved[unit])) / 120**2 / 12
    known = np.isfinite(y)
    assert variance[known] == pytest.approx(expected[known])
    off = 4.0 * np.sqrt(expected + unsure[unit])
    assert held == pytest.approx([y[0], level[1] + 0.3 + off[1], np.nan, level[3] - off[3], y[4]], nan_ok=True)
    # Learned from are the squares of deviations of two starts from their own mean, times two, in a bin or two.
    assert state.count.sum() == 4
    pair = (held[0] - held[1]) ** 2
    assert state.square.sum() == pytest.approx(
        2 * min(pair / 4, 9 * expected[0]) + 2 * min(pair / 4, 9 * expected[1]) + 4 * 9 * expected[3]
    )
