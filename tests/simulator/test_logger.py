"""What a logger makes of the truth."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import logger

COUNT = 50_000


@pytest.fixture(scope="module")
def told() -> dict[str, np.ndarray]:
    full = np.full(COUNT, 1.0)
    true = {
        "run_up_s": 0.21 * full,
        "peak_a": 80 * full,
        "run_pf": 0.999 * full,
        "line_v": 240 * full,
        "close_deg": 179.0 * full,
        "suction_kpa": 500 * full,
    }
    fitted = {"line_v": np.arange(COUNT) % 2 == 0, "pressures": np.zeros(COUNT, bool)}
    return logger.measured(true, fitted, np.random.default_rng(1))


def test_run_up_time_comes_in_half_cycles_of_sixty_hertz(told: dict[str, np.ndarray]) -> None:
    half_cycles = told["run_up_s"] * 120
    assert np.abs(half_cycles - np.round(half_cycles)).max() < 0.07
    assert np.median(told["run_up_s"]) == pytest.approx(25 / 120, abs=0.001)


def test_outliers_in_run_up_time_are_rare(told: dict[str, np.ndarray]) -> None:
    odd = np.abs(told["run_up_s"] - 25 / 120) > 0.02
    assert 0 < odd.mean() < 0.005


def test_a_channel_that_is_not_fitted_says_nothing(told: dict[str, np.ndarray]) -> None:
    assert np.isnan(told["line_v"][1::2]).all()
    assert np.isnan(told["suction_kpa"]).all()
    assert np.isnan(told["line_v"][::2]).mean() == pytest.approx(0.002, abs=0.002)


def test_what_is_told_stays_within_what_the_wire_allows(told: dict[str, np.ndarray]) -> None:
    assert np.nanmax(told["run_pf"]) <= 1
    assert np.nanmin(told["close_deg"]) >= 0
    assert np.nanmax(told["close_deg"]) <= 180


def test_currents_carry_less_than_one_percent_of_noise(told: dict[str, np.ndarray]) -> None:
    assert told["peak_a"].std() / 80 == pytest.approx(0.008, abs=0.001)
