"""Running figures against rows of the motor model, pinned, the saturated steady state, and the definition of power."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.machine import reference_3_ton
from simulator.running import running
from simulator.saturated import running as saturated

FRICTION_NM, NM_PER_KPA = 0.6, 3.75e-3
LOAD_NM = FRICTION_NM + NM_PER_KPA * 1700


@pytest.mark.pinned
def test_current_and_power_factor_by_run_capacitance_are_those_of_the_transient() -> None:
    got = running(230.0, LOAD_NM, np.array([44, 40, 36, 32, 24, 16]) / 40)
    np.testing.assert_allclose(got.run_a, [12.90, 13.08, 13.33, 13.64, 14.46, 15.46], rtol=0.01)
    np.testing.assert_allclose(got.run_pf, [0.983, 0.969, 0.952, 0.932, 0.890, 0.846], rtol=0.01)


@pytest.mark.pinned
def test_current_by_voltage_and_power_are_those_of_the_transient() -> None:
    got = running(np.array([190.0, 200, 208, 220, 230, 240, 250]), LOAD_NM)
    np.testing.assert_allclose(got.run_a, [15.72, 14.81, 14.21, 13.50, 13.08, 12.84, 12.81], rtol=0.01)
    assert got.run_w[4] == pytest.approx(2914, rel=0.01)


@pytest.mark.pinned
def test_friction_shows_in_watts_and_not_in_power_factor() -> None:
    # pinned: friction of 1.4 instead of 0.6 N·m: 3238 W, 14.5 A, power factor 0.972.
    got = running(230.0, LOAD_NM + 0.8)
    assert got.run_w.item() == pytest.approx(3238, rel=0.01)
    assert got.run_a.item() == pytest.approx(14.5, rel=0.01)
    assert got.run_pf.item() == pytest.approx(0.972, abs=0.005)


def test_the_grid_gives_the_steady_state_within_four_thousandths() -> None:
    rng = np.random.default_rng(1)
    line_v, load_nm = rng.uniform(200, 255, 2000), rng.uniform(1.5, 9, 2000)
    cap, source_ohm = rng.uniform(0.35, 1.1, 2000), rng.uniform(0, 0.5, 2000)
    motor = reference_3_ton()
    motor = motor.but(run_cap_uf=40 * cap, r_source_ohm=source_ohm, x_source_ohm=0.65 * source_ohm)
    _, state = saturated(motor, line_v, load_nm)
    got = running(line_v, load_nm, cap, 1.0, source_ohm)
    np.testing.assert_allclose(got.run_a, np.abs(state.line_a), rtol=4e-3)
    np.testing.assert_allclose(got.run_w, state.power_w, rtol=4e-3)
    np.testing.assert_allclose(got.run_pf, state.power_factor, rtol=4e-3)


@pytest.mark.published
@given(st.floats(195, 250), st.floats(1.5, 9), st.floats(0.4, 1.1), st.floats(0.5, 1.7))
def test_watts_are_volts_times_amperes_times_power_factor(line_v: float, load: float, cap: float, size: float) -> None:
    # published: the definition of power factor, IEEE Std 1459.
    got = running(line_v, load, cap, size)
    assert got.run_w.item() == pytest.approx(line_v * got.run_a.item() * got.run_pf.item(), rel=1e-9)
    assert 0 < got.run_pf.item() <= 1


@given(st.floats(2.5, 8), st.floats(0.05, 1))
def test_a_larger_load_takes_more_power(load_nm: float, more_nm: float) -> None:
    less, more = running(230.0, np.array([load_nm, load_nm + more_nm])).run_w
    assert more > less


def test_a_weak_supply_drops_the_voltage_that_the_machine_runs_on() -> None:
    got = running(240.0, LOAD_NM, 1.0, 1.0, np.array([0.0, 1.0]))
    volts = got.run_w / got.run_a / got.run_pf
    assert volts[0] == pytest.approx(240.0)
    assert volts[1] == pytest.approx(240.0 - got.run_a[1], rel=0.01)  # one ohm, current nearly in phase
