"""The phasor solution against a textbook's machine and a published compressor motor.

Sources: P. C. Krause, O. Wasynczuk, S. D. Sudhoff, *Analysis of Electric Machinery* (parameters of the 1/4 hp machine;
the book draws curves, so the currents and torques here were computed from its parameters with an independent program:
consistency, not the book's print). B. C. Lesieutre, D. Kosterev, J. Undrill, "Phasor modeling approach for single
phase A/C motors", 2008 (parameters), and the stall-voltage range of the WECC composite load model's motor D.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.machine import per_unit_compressor, reference_3_ton, textbook_quarter_hp
from simulator.steady import breakdown_slip, load_torque_nm, running, steady

MICROFARAD = 2 * math.pi * 60 * 1e-6


@pytest.mark.published
@pytest.mark.parametrize(
    ("branch", "main_a", "aux_a", "line_a", "torque_nm"),
    [
        ((3.0, 14.5), 14.17, 6.29, 17.49, 3.998),
        ((9.0, 172.0), 14.17, 0.659, 13.81, 0.376),
        ((2.0, 1 / (254.7 * MICROFARAD)), 14.17, 7.31, 19.21, 4.157),
        ((18.0, 1 / (21.1 * MICROFARAD)), 14.17, 0.89, 13.79, 0.547),
        ((0.0, 1e-9), 14.17, 7.83, 21.85, 1.269),
    ],
)
def test_the_textbook_machine_at_locked_rotor_draws_the_cross_computed_currents_and_torque(
    branch: tuple[float, float], main_a: float, aux_a: float, line_a: float, torque_nm: float
) -> None:
    state = steady(textbook_quarter_hp(branch), 110.0, 1.0)
    assert abs(state.main_a) == pytest.approx(main_a, rel=5e-3)
    assert abs(state.aux_a) == pytest.approx(aux_a, rel=5e-3)
    assert abs(state.line_a) == pytest.approx(line_a, rel=5e-3)
    assert state.torque_nm == pytest.approx(torque_nm, rel=5e-3)


@pytest.mark.published
def test_the_textbook_machine_gives_its_quarter_horsepower_at_the_customary_nameplate_speed() -> None:
    # 1/4 hp = 186.5 W; four-pole 1/4 hp nameplates say 1725 rpm (common practice, no source).
    slips = np.linspace(0.03, 0.06, 301)
    shaft_w = steady(textbook_quarter_hp(), 110.0, slips).torque_nm * (1 - slips) * 2 * math.pi * 30
    slip = np.interp(186.5, shaft_w, slips)
    assert (1 - slip) * 1800 == pytest.approx(1726, abs=3)


@pytest.mark.published
def test_the_textbook_machines_angles_are_those_computed_elsewhere() -> None:
    state = steady(textbook_quarter_hp((3.0, 14.5)), 110.0, 1.0)
    assert math.degrees(cmath.phase(complex(state.main_a))) == pytest.approx(-40.8, abs=0.1)
    assert math.degrees(cmath.phase(complex(state.aux_a))) == pytest.approx(27.6, abs=0.1)


@pytest.mark.published
@pytest.mark.parametrize(
    ("x_pu", "line_pu", "factor", "torque_pu"), [(2.779, 7.223, 0.650, 0.215), (0.7, 6.595, 0.775, 1.198)]
)
def test_the_per_unit_compressor_motor_at_locked_rotor(
    x_pu: float, line_pu: float, factor: float, torque_pu: float
) -> None:
    state = steady(per_unit_compressor(x_pu), 1.0, 1.0)
    assert abs(state.line_a) == pytest.approx(line_pu, rel=5e-4)
    assert state.power_factor == pytest.approx(factor, abs=1e-3)
    assert state.torque_nm == pytest.approx(torque_pu, abs=1e-3)


@pytest.mark.published
def test_the_per_unit_compressor_motor_stalls_below_the_published_range_of_voltages() -> None:
    motor = per_unit_compressor()
    slip = breakdown_slip(motor, 1.0)
    greatest = float(steady(motor, 1.0, slip).torque_nm)
    assert greatest == pytest.approx(2.899, rel=1e-3)
    assert float(slip) == pytest.approx(0.180, abs=2e-3)
    lowest = [math.sqrt(torque / greatest) for torque in (1.0448, 0.9, 0.8, 0.7)]
    assert lowest == pytest.approx([0.600, 0.557, 0.525, 0.491], abs=5e-4)
    # Motor D of the WECC composite load model: stall voltage 0.45 to 0.60 pu over laboratory tests.
    assert all(0.45 <= volts <= 0.605 for volts in lowest)


@pytest.mark.published
def test_stalled_impedance_is_near_that_of_the_composite_load_models_motor_d() -> None:
    # R_stall = X_stall = 0.100 pu; the reference machine on its running 2914 VA.
    state = steady(reference_3_ton(), 230.0, 1.0)
    z_pu = 230.0 / complex(state.line_a) / (230.0**2 / 2914)
    assert abs(z_pu) == pytest.approx(math.hypot(0.1, 0.1), rel=0.1)


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("line_v", "line_a", "main_a", "aux_a", "torque_nm"),
    [
        (200, 71.8, 74.1, 3.19, 1.27),
        (208, 74.7, 77.1, 3.32, 1.37),
        (220, 79.0, 81.5, 3.51, 1.53),
        (230, 82.6, 85.2, 3.67, 1.67),
        (240, 86.2, 88.9, 3.83, 1.82),
        (250, 89.8, 92.6, 3.99, 1.98),
    ],
)
def test_the_reference_machine_at_locked_rotor(
    line_v: float, line_a: float, main_a: float, aux_a: float, torque_nm: float
) -> None:
    state = steady(reference_3_ton(), line_v, 1.0)
    assert abs(state.line_a) == pytest.approx(line_a, abs=0.06)
    assert abs(state.main_a) == pytest.approx(main_a, abs=0.06)
    assert abs(state.aux_a) == pytest.approx(aux_a, abs=0.006)
    assert state.torque_nm == pytest.approx(torque_nm, abs=0.006)


@pytest.mark.pinned
def test_the_reference_machine_with_its_start_capacitor_at_locked_rotor() -> None:
    state = steady(reference_3_ton(), [200.0, 230.0, 250.0], 1.0, start_cap_uf=208.0, r_start_ohm=1.3)
    assert np.abs(state.line_a) == pytest.approx([72.7, 83.6, 90.9], abs=0.06)
    assert np.abs(state.aux_a) == pytest.approx([23.2, 26.7, 29.0], abs=0.06)
    assert state.torque_nm == pytest.approx([12.9, 17.1, 20.2], abs=0.06)


@pytest.mark.pinned
def test_a_thermistor_across_the_run_capacitor_raises_starting_torque() -> None:
    state = steady(reference_3_ton(), 230.0, 1.0, ptc_ohm=np.array([25.0, 35.0, 50.0, 5000.0]))
    assert state.torque_nm == pytest.approx([4.96, 4.24, 3.60, 1.70], abs=0.006)


@pytest.mark.pinned
def test_a_weak_run_capacitor_hardly_moves_locked_rotor_current_and_costs_torque_nearly_in_proportion() -> None:
    share = np.array([1.1, 1.0, 0.94, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.2])
    state = steady(reference_3_ton().but(run_cap_uf=40 * share), 230.0, 1.0)
    assert np.abs(state.line_a) == pytest.approx([82.4, 82.6, 82.8, 82.9, 83.1, 83.4, 83.7, 83.9, 84.2, 84.7], abs=0.06)
    assert state.torque_nm == pytest.approx(
        [1.864, 1.674, 1.562, 1.488, 1.306, 1.128, 0.955, 0.786, 0.621, 0.303], abs=6e-4
    )
    lead_deg = np.degrees(np.angle(state.aux_a) - np.angle(state.main_a))
    assert lead_deg == pytest.approx([135.6, 136.0, 136.2, 136.3, 136.7, 137.1, 137.5, 137.8, 138.2, 138.9], abs=0.06)


def test_too_large_a_start_capacitor_gives_less_torque() -> None:
    size_uf = np.arange(100.0, 900.0, 10.0)
    torque = steady(reference_3_ton(), 230.0, 1.0, start_cap_uf=size_uf, r_start_ohm=1.3).torque_nm
    best = int(np.argmax(torque))
    assert size_uf[best] == pytest.approx(420, abs=10)  # pinned, at a fixed resistance in series with both capacitors
    assert torque[best] == pytest.approx(25.5, abs=0.06)  # pinned
    assert torque[-1] < torque[best]


@given(volts=st.floats(50.0, 300.0), factor=st.floats(0.5, 1.5), slip=st.floats(0.01, 1.0))
def test_torque_goes_with_the_square_of_voltage_and_current_with_voltage(
    volts: float, factor: float, slip: float
) -> None:
    # NEMA MG 1, 12.44: starting torque varies with the square of the voltage (of a linear machine exactly).
    one, other = (steady(reference_3_ton(), v, slip) for v in (volts, volts * factor))
    assert float(other.torque_nm) == pytest.approx(float(one.torque_nm) * factor**2, rel=1e-9)
    assert abs(other.line_a) == pytest.approx(abs(one.line_a) * factor, rel=1e-9)


@given(uf=st.floats(5.0, 600.0))
def test_standstill_torque_is_the_closed_form_of_the_two_currents(uf: float) -> None:
    # T = K I_main I_aux sin(alpha), K = 2 n Re(Z_f) / w_s: exact at standstill.
    motor = reference_3_ton().but(run_cap_uf=uf)
    state = steady(motor, 230.0, 1.0)
    z_f = 1 / (1 / 44j + 1 / (1.10 + 1.00j))
    k = 2 * 1.38 * z_f.real / (2 * math.pi * 60)
    alpha = cmath.phase(complex(state.aux_a)) - cmath.phase(complex(state.main_a))
    product = k * abs(complex(state.main_a)) * abs(complex(state.aux_a)) * math.sin(alpha)
    assert float(state.torque_nm) == pytest.approx(product, rel=1e-9)


@given(volts=st.floats(200.0, 260.0), dp=st.floats(0.0, 2000.0))
def test_a_running_machine_carries_just_its_load(volts: float, dp: float) -> None:
    slip, state = running(reference_3_ton(), volts, dp)
    assert float(state.torque_nm) == pytest.approx(float(load_torque_nm(reference_3_ton(), dp, 1 - slip)), rel=1e-6)


def test_a_load_beyond_breakdown_torque_has_no_running_state() -> None:
    slip, state = running(reference_3_ton(), np.array([120.0, 230.0]), 3000.0)
    assert np.isnan(slip[0])
    assert np.isnan(state.torque_nm[0])
    assert slip[1] < 0.2


def test_power_in_equals_losses_and_shaft_power() -> None:
    motor = reference_3_ton()
    slip, state = running(motor, 230.0, 1700.0)
    referred = state.aux_a * 1.38
    i_f, i_b = (state.main_a - 1j * referred) / 2, (state.main_a + 1j * referred) / 2

    def rotor_share(s: float) -> complex:
        return 44j / (1.10 / s + 1.00j + 44j)

    s = float(slip)
    copper = 0.70 * abs(state.main_a) ** 2 + 1.90 * abs(state.aux_a) ** 2
    rotor = 2 * 1.10 * (abs(i_f * rotor_share(s)) ** 2 + abs(i_b * rotor_share(2 - s)) ** 2)
    shaft = float(state.torque_nm) * (1 - s) * 2 * math.pi * 60
    assert float(state.power_w) == pytest.approx(float(copper + rotor + shaft), rel=1e-6)
