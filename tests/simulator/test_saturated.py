"""The saturated steady state against the transient, and against the linear phasor solution where nothing saturates."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.machine import StartGear, reference_3_ton
from simulator.motor import trace
from simulator.saturated import running
from simulator.steady import load_torque_nm, steady
from simulator.steady import running as linear

MOTOR = reference_3_ton().but(rise_kpa_per_rev=0.0)
KIT = StartGear(start_cap_uf=208.0)


@pytest.mark.parametrize(
    ("share", "line_v", "dp_kpa"),
    [
        (1.0, 230.0, 1700.0),
        (1.0, 200.0, 1700.0),
        (1.0, 250.0, 1000.0),
        (0.6, 230.0, 1700.0),
        (0.4, 240.0, 1500.0),
        (1.1, 230.0, 600.0),
        (1.0, 255.0, 400.0),
    ],
)
def test_current_and_power_are_those_of_the_transient(share: float, line_v: float, dp_kpa: float) -> None:
    motor = MOTOR.but(run_cap_uf=40.0 * share)
    seen = trace(motor, line_v, dp_kpa, gear=KIT, duration_s=1.2)
    tail = slice(-round(6 / 60 / seen.dt_s), None)
    _, state = running(motor, line_v, 0.6 + 3.75e-3 * dp_kpa)
    amps = np.sqrt(np.mean(seen.line_a[tail] ** 2))
    assert abs(complex(state.line_a)) == pytest.approx(amps, rel=7e-3)
    assert float(state.power_w) == pytest.approx(np.mean(seen.line_a[tail] * seen.terminal_v[tail]), rel=2e-3)


def test_without_saturation_it_is_the_linear_steady_state() -> None:
    motor = MOTOR.but(sat_a=0.0)
    slip, state = running(motor, 230.0, 0.6 + 3.75e-3 * 1700)
    expected, phasor = linear(motor, 230.0, 1700.0)
    assert slip == pytest.approx(expected, rel=1e-6)
    assert abs(complex(state.line_a)) == pytest.approx(abs(complex(phasor.line_a)), rel=1e-6)


def test_torque_is_that_of_the_load_and_an_impossible_load_has_no_state() -> None:
    slip, state = running(MOTOR, np.array([230.0, 120.0]), 0.6 + 3.75e-3 * 1500)
    assert float(state.torque_nm[0]) == pytest.approx(float(load_torque_nm(MOTOR, 1500.0, 1 - slip[0])), rel=1e-4)
    assert np.isnan(slip[1])
    assert np.isnan(state.line_a[1])


def test_a_saturated_rotor_flux_draws_more_current_at_no_load() -> None:
    one, more = (abs(complex(steady(MOTOR, 230.0, 0.001, saturation=s).line_a)) for s in (1.0, 1.3))
    assert more > one


@given(st.floats(210, 250), st.floats(4.0, 8.0), st.floats(0.4, 0.9))
def test_a_weak_run_capacitor_hardly_moves_locked_rotor_current_but_does_move_power_factor(
    line_v: float, load_nm: float, share: float
) -> None:
    motors = MOTOR.but(run_cap_uf=40.0 * np.array([1.0, share]))
    whole, weak = np.abs(steady(motors, line_v, 1.0).line_a)
    assert abs(weak / whole - 1) < 0.025
    whole_pf, weak_pf = running(motors, line_v, load_nm)[1].power_factor
    assert weak_pf < whole_pf - 0.05 * (1 - share)
