"""Running figures against the rows they come from, pinned, and against the definition of power factor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.running import running


@pytest.mark.pinned
def test_current_and_power_factor_by_run_capacitance_are_those_of_the_motor_model() -> None:
    got = running(230.0, 1700.0, np.array([44, 40, 36, 32, 24, 16]) / 40)
    np.testing.assert_allclose(got.run_a, [12.90, 13.08, 13.33, 13.64, 14.46, 15.46], rtol=0.01)
    np.testing.assert_allclose(got.run_pf, [0.983, 0.969, 0.952, 0.932, 0.890, 0.846], rtol=0.01)


@pytest.mark.pinned
def test_current_by_voltage_and_power_are_those_of_the_motor_model() -> None:
    got = running([190.0, 200, 208, 220, 230, 240, 250], 1700.0)
    np.testing.assert_allclose(got.run_a, [15.72, 14.81, 14.21, 13.50, 13.08, 12.84, 12.81], rtol=0.01)
    assert got.run_w[4] == pytest.approx(2914, rel=0.01)


@pytest.mark.pinned
def test_friction_shows_in_watts_and_not_in_power_factor() -> None:
    # pinned: friction of 1.4 instead of 0.6 N·m: 3238 W, 14.5 A, power factor 0.972.
    got = running(230.0, 1700.0, 1.0, 1.4)
    assert got.run_w.item() == pytest.approx(3238, rel=0.01)
    assert got.run_a.item() == pytest.approx(14.5, rel=0.01)
    assert got.run_pf.item() == pytest.approx(0.972, abs=0.005)


@pytest.mark.published
@given(st.floats(195, 250), st.floats(500, 2200), st.floats(0.4, 1.1), st.floats(0.4, 2), st.floats(0.5, 1.7))
def test_watts_are_volts_times_amperes_times_power_factor(
    line_v: float, dp_kpa: float, cap: float, friction_nm: float, size: float
) -> None:
    # published: the definition of power factor, IEEE Std 1459.
    got = running(line_v, dp_kpa, cap, friction_nm, size)
    assert got.run_w.item() == pytest.approx(line_v * got.run_a.item() * got.run_pf.item(), rel=1e-9)
    assert 0 < got.run_pf.item() <= 1


@given(st.floats(500, 2000), st.floats(1, 300))
def test_a_larger_lift_takes_more_current(dp_kpa: float, more_kpa: float) -> None:
    less, more = running(230.0, [dp_kpa, dp_kpa + more_kpa]).run_a
    assert more > less
