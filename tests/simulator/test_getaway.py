"""The edge of stalling: the grid against the motor itself, its pinned stall boundary, and what physics demands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import getaway
from simulator.machine import StartGear, reference_3_ton
from simulator.motor import start

volts = st.floats(150, 260)
share = st.floats(0.35, 1.05)


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("share", "expected_kpa"),
    # pinned: the pressure difference at which the reference machine stalls, closed at zero crossing.
    [
        (1.0, [204, 240, 302, 359, 423, 491]),
        (0.8, [125, 152, 201, 248, 297, 352]),
        (0.6, [48, 69, 105, 139, 179, 220]),
    ],
)
def test_the_edge_lies_at_the_motor_models_pressure_difference(share: float, expected_kpa: list[float]) -> None:
    at_v = np.array([200.0, 208, 220, 230, 240, 250])
    torque = getaway.edge_nm(at_v, np.full(6, share), StartGear(), 0.0)
    expected_nm = 0.6 + 3.75e-3 * np.array(expected_kpa, float)
    # Pressure builds up as the machine turns, friction does not: 3 % between the two, and 1 % for halving.
    np.testing.assert_allclose(torque, expected_nm, rtol=0.04)


@pytest.mark.parametrize("gear", ["kit", "thermistor"])
def test_the_grid_is_within_three_per_cent_of_halving_at_the_point_itself(gear: str) -> None:
    rng = np.random.default_rng(1)
    at_v, cap = rng.uniform(150, 260, 300), rng.uniform(0.35, 1.05, 300)
    kit = np.where(rng.random(300) < 0.5, 0.0, rng.uniform(0, 1, 300)) if gear == "kit" else np.zeros(300)
    ohm = rng.uniform(25, 120, 300) if gear == "thermistor" else np.zeros(300)
    expected = getaway.edge_nm(at_v, cap, StartGear(start_cap_uf=208 * kit, ptc_ohm=ohm), 45.0)
    np.testing.assert_allclose(getaway.getaway_nm(at_v, cap, kit, ohm), expected, rtol=0.03)


def test_a_start_far_from_the_edge_goes_as_the_grid_says_whatever_its_angle_inertia_and_source() -> None:
    from simulator.outcomes import DECIDED, LEVEL_POWER  # noqa: PLC0415 - only here

    rng = np.random.default_rng(2)
    n = 4000
    line_v, cap, ohm = rng.uniform(190, 250, n), rng.uniform(0.4, 1.0, n), rng.uniform(0, 0.8, n)
    kit, level = np.where(rng.random(n) < 0.6, 0.0, rng.uniform(0, 1, n)), np.exp(rng.normal(0, 0.12, n))
    angle = rng.uniform(0, 180, n)
    away = getaway.getaway_nm(getaway.terminal_v(line_v, ohm, 0.65), cap, kit) * getaway.closing_factor(angle)
    side = rng.choice([-1.0, 1.0], n)
    load = away * level**-LEVEL_POWER * np.exp(side * DECIDED)
    motor = reference_3_ton().but(
        run_cap_uf=40 * cap, r_source_ohm=ohm, x_source_ohm=0.65 * ohm, friction_nm=load, inertia_kgm2=0.0022 * level
    )
    seen = start(motor, line_v, 0.0, angle, StartGear(start_cap_uf=208 * kit), limit_s=getaway.LIMIT_S)
    np.testing.assert_array_equal(np.isnan(seen.run_up_s), side > 0)


def test_steps_as_long_as_the_fleets_change_no_class_and_hardly_a_half_cycle() -> None:
    rng = np.random.default_rng(3)
    n = 1500
    motor = reference_3_ton().but(run_cap_uf=rng.uniform(16, 44, n), friction_nm=rng.uniform(0.4, 1.5, n))
    line_v, dp_kpa, angle = rng.uniform(200, 255, n), rng.uniform(0, 400, n), rng.uniform(0, 180, n)
    fine, used = (
        start(motor, line_v, dp_kpa, angle, limit_s=getaway.LIMIT_S, steps_per_half_cycle=k)
        for k in (168, getaway.FLEET_STEPS)
    )
    np.testing.assert_array_equal(np.isnan(fine.run_up_s), np.isnan(used.run_up_s))
    # The instant itself is off by far less than half a half cycle (4.2 ms); told in half cycles it may fall beside.
    error_s = np.abs(fine.near_full_speed_s - used.near_full_speed_s)
    assert np.nanquantile(error_s, 0.95) < 1e-3
    assert np.nanmax(error_s) < 4.2e-3
    half_cycles = np.abs(fine.run_up_s - used.run_up_s)[~np.isnan(fine.run_up_s)] * 120
    assert (half_cycles > 0.5).mean() < 0.05
    assert half_cycles.max() < 1.5
    np.testing.assert_allclose(used.locked_a, fine.locked_a, rtol=3e-3)
    np.testing.assert_allclose(used.line_min_v, fine.line_min_v, rtol=3e-3)


@pytest.mark.published
def test_the_torque_at_the_edge_goes_with_about_the_square_of_the_voltage() -> None:
    # published: NEMA MG 1, 12.44.2: starting torque varies approximately as the square of voltage.
    at_v = np.linspace(150, 260, 12)
    for kit in (0.0, 1.0):
        power = np.polyfit(np.log(at_v), np.log(getaway.getaway_nm(at_v, 1.0, kit)), 1)[0]
        assert power == pytest.approx(2, abs=0.15)


@given(volts, share, st.floats(0, 0.9), st.floats(0.02, 0.1))
def test_more_start_capacitor_carries_more_load(at_v: float, cap: float, kit: float, more: float) -> None:
    less, greater = getaway.getaway_nm(at_v, cap, np.array([kit, kit + more]))
    assert greater > less


@given(volts, share)
def test_a_thermistor_helps_the_more_the_lower_its_resistance(at_v: float, cap: float) -> None:
    none, high, low = getaway.getaway_nm(at_v, cap, 0.0, np.array([0.0, 80.0, 30.0]))
    assert none < high < low


@pytest.mark.published
def test_a_source_impedance_and_the_locked_rotor_divide_the_voltage() -> None:
    # published: voltage divider of two impedances; the machine's is 1.871 + j2.061 ohm (pinned).
    motor, source = complex(1.871, 2.061), complex(0.5, 0.3)
    assert getaway.terminal_v(240.0, 0.5, 0.6).item() == pytest.approx(240 * abs(motor) / abs(motor + source), rel=1e-3)
