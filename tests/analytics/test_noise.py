from __future__ import annotations

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
    noise.take(state, unit, residual, level, np.full(starts, 10.0), flags)
    noise.fit(state)
    return state


@pytest.mark.parametrize("angled", [False, True])
def test_the_scatter_within_days_is_found_whatever_the_days_share(angled: bool) -> None:
    got = np.sqrt(noise.variance(_fed(0.07, angled), np.log(np.array([0.2])), np.array([angled])))
    assert got[0] == pytest.approx(0.07, rel=0.1)


def test_before_data_an_unknown_closing_angle_scatters_more() -> None:
    level = np.log(np.array([0.2, 0.2]))
    unknown, known = noise.variance(noise.begin(), level, np.array([False, True]))
    assert unknown > known


def test_half_cycle_steps_bound_what_a_short_start_can_tell() -> None:
    # IEC 61000-4-30 refreshes every half cycle, 1/120 s: a rectangular error of that width has variance width^2 / 12.
    got = noise.variance(noise.begin(), np.log(np.array([0.05])), np.array([True]))[0]
    assert got > (1 / 120 / 0.05) ** 2 / 12


def test_nothing_to_take_is_taken_in_peace() -> None:
    empty = np.zeros(0)
    noise.take(noise.begin(), empty.astype(np.int64), empty, empty, empty, empty.astype(bool))
