"""The voltage at the house."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import supply


@pytest.fixture(scope="module")
def nominal_v() -> np.ndarray:
    return np.full(50, 240.0)


def test_evenings_and_cold_pull_the_voltage_down(nominal_v: np.ndarray) -> None:
    rng = np.random.default_rng(1)
    mild, cold = (supply.house_v(nominal_v, np.full((50, 24 * 30), t), rng) for t in (8.0, -25.0))
    assert mild.mean() - cold.mean() == pytest.approx(30 * supply.COLD_V_PER_K, abs=0.3)
    by_hour = mild.reshape(50, 30, 24).mean(axis=(0, 1))
    # 02:00 UTC is 19:00 local.
    assert by_hour.argmin() in {1, 2, 3}


@pytest.mark.published
def test_a_sound_house_stays_within_the_service_voltage_of_ansi_c84_1(nominal_v: np.ndarray) -> None:
    # published: ANSI C84.1, range A at the service of a 240 V system: 228 to 252 V.
    volts = supply.house_v(nominal_v, np.full((50, 24 * 30), -15.0), np.random.default_rng(2))
    assert ((volts >= 228) & (volts <= 252)).mean() > 0.99
