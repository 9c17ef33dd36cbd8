"""The reference machine against rows computed by an independent program from the same parameters.

They are no measurements: `pinned` all of them. They show that two programs agree, and that nothing has changed since.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulator import refrigerant
from simulator.machine import REFERENCE_KIT, Machine, StartGear, reference_3_ton
from simulator.motor import Trace, start, trace
from simulator.steady import steady

MOTOR = reference_3_ton()
HOUSE = MOTOR.but(r_source_ohm=0.06, x_source_ohm=0.04)
ANGLES_DEG = np.arange(0.0, 180.0, 15.0)
HALF_CYCLE_S = 1 / 120
WELDED = StartGear(start_cap_uf=208.0, pick_up_v=1e6)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def last_cycles(seen: Trace, count: int = 6) -> slice:
    return slice(-round(count / 60 / seen.dt_s) - 1, -1)


@pytest.mark.pinned
def test_locked_rotor_current_is_a_constant_share_of_the_voltage() -> None:
    state = steady(MOTOR, np.array([180.0, 230.0, 260.0]), 1.0)
    assert np.abs(state.line_a) / np.array([180.0, 230.0, 260.0]) == pytest.approx(0.35924, abs=5e-6)
    assert 230 / complex(state.line_a[1]) == pytest.approx(complex(1.871, 2.061), abs=1e-3)


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("gear", "expected_v"),
    [({}, [20, 112, 170, 196, 264]), ({"start_cap_uf": 208.0, "r_start_ohm": 1.3}, [145, 231, 310, 351, 471])],
)
def test_the_auxiliary_windings_voltage_rises_with_speed_and_tells_the_relay_when_to_open(
    gear: dict[str, float], expected_v: list[float]
) -> None:
    speed = np.array([0.0, 0.6, 0.75, 0.8, 0.9])
    state = steady(MOTOR, 230.0, 1 - speed, **gear)
    # Between the line and the branch with the capacitors.
    assert np.abs(state.terminal_v - state.capacitor_v) == pytest.approx(expected_v, rel=0.01)


@pytest.mark.pinned
def test_the_relay_picks_up_at_three_quarters_of_full_speed_and_opens_before_full_speed() -> None:
    speed = np.linspace(0.6, 0.8, 41)
    state = steady(MOTOR, 230.0, 1 - speed, start_cap_uf=208.0, r_start_ohm=1.3)
    assert np.interp(300.0, np.abs(state.terminal_v - state.capacitor_v), speed) == pytest.approx(0.74, abs=0.005)
    # The contact takes half a cycle to open, in which the machine goes on gaining speed.
    seen = trace(MOTOR, 230.0, gear=REFERENCE_KIT, duration_s=0.2)
    assert 0.74 < seen.speed[np.argmin(seen.start_gear_in)] < 0.95


def torque_with_resistance_in_the_start_capacitors_own_branch(size_uf: float) -> float:
    """Return the torque at standstill [N m] with 1.3 ohm in series with the start capacitor alone, by textbook algebra.

    The model puts that resistance in series with both capacitors, which the relay then takes out together.
    """
    w, n = 2 * math.pi * 60, 1.38
    run, kit = 1 / (1j * w * 40e-6), 1.3 + 1 / (1j * w * size_uf * 1e-6)
    rotor = 1 / (1 / 44j + 1 / (1.10 + 1.00j))
    main = 230 / (0.70 + 1.05j + rotor)
    aux = 230 / n / ((1.90 + 1.90j + 1 / (1 / run + 1 / kit)) / n**2 + rotor)
    forward, backward = (main - 1j * aux) / 2, (main + 1j * aux) / 2
    return 2 * rotor.real * (abs(forward) ** 2 - abs(backward) ** 2) / w


@pytest.mark.pinned
def test_the_start_capacitor_of_greatest_torque_lies_near_400_uf_wherever_its_resistance_is_put() -> None:
    hundreds = np.arange(100.0, 900.0, 100.0)
    own = np.array([torque_with_resistance_in_the_start_capacitors_own_branch(size) for size in hundreds])
    # pinned: about 400 uF with 26.5 N m, of sizes in steps of 100 uF, the resistance in the start capacitor's branch.
    assert hundreds[np.argmax(own)] == 400.0
    assert own.max() == pytest.approx(26.5, abs=0.06)
    # In series with both, as in the model: the same size of those, and a twenty-fifth less torque.
    both = steady(MOTOR, 230.0, 1.0, start_cap_uf=hundreds, r_start_ohm=1.3).torque_nm
    assert hundreds[np.argmax(both)] == 400.0
    assert both.max() == pytest.approx(26.5 * 0.96, abs=0.06)


@pytest.mark.pinned
def test_a_welded_relay_holds_the_machine_on_starting_current_and_below_full_speed() -> None:
    seen = trace(MOTOR, 230.0, gear=WELDED, duration_s=2.0)
    tail = last_cycles(seen)
    # Its speed swings by a tenth at twice the mains frequency; 0.87 is read at the end of whole cycles, as there.
    assert seen.speed[-1] == pytest.approx(0.87, abs=0.005)
    assert seen.speed[tail].max() - seen.speed[tail].min() == pytest.approx(0.24, abs=0.01)
    assert float(np.mean(seen.speed[tail])) == pytest.approx(0.977, abs=0.002)
    assert rms(seen.line_a[tail]) == pytest.approx(63, rel=0.01)
    assert rms(seen.aux_a[tail]) == pytest.approx(48, rel=0.01)
    assert rms(seen.capacitor_v[tail]) == pytest.approx(509, rel=0.01)


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("share", "expected_kpa"),
    [
        (1.0, [204, 240, 302, 359, 423, 491]),
        (0.8, [125, 152, 201, 248, 297, 352]),
        (0.6, [48, 69, 105, 139, 179, 220]),
    ],
)
def test_the_pressure_at_which_the_machine_stalls(share: float, expected_kpa: list[float]) -> None:
    volts = np.array([200.0, 208, 220, 230, 240, 250])
    edge = np.array(expected_kpa, float)
    motor = MOTOR.but(run_cap_uf=40 * share)
    assert np.isfinite(start(motor, volts, edge - 4).run_up_s).all()
    assert np.isnan(start(motor, volts, edge + 4).run_up_s).all()


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("tau_s", "expected_s"),
    [(60, [93, 117, 127]), (90, [140, 176, 191]), (120, [187, 235, 254]), (300, [467, 587, 636])],
)
def test_how_long_a_rest_must_be_for_a_start_without_assist(tau_s: float, expected_s: list[float]) -> None:
    # From 1700 kPa at the stop, at 230, 208 and 200 V.
    volts, rest_s = np.array([230.0, 208, 200]), np.array(expected_s, float)
    for off_s, comes_up in ((0.98 * rest_s, False), (1.02 * rest_s, True)):
        run_up_s = start(MOTOR, volts, refrigerant.remaining_kpa(1700.0, off_s, tau_s)).run_up_s
        assert (np.isfinite(run_up_s) == comes_up).all()


@pytest.mark.pinned
def test_with_the_start_capacitor_in_a_weak_run_capacitor_does_not_show() -> None:
    volts = np.array([180.0, 190, 200, 208, 216, 224, 230, 240, 250])
    full = start(MOTOR, volts, gear=REFERENCE_KIT).run_up_s
    for share in (0.8, 0.6, 0.4):
        weak = start(MOTOR.but(run_cap_uf=40 * share), volts, gear=REFERENCE_KIT).run_up_s
        assert weak == pytest.approx(full, abs=HALF_CYCLE_S + 1e-6)


@pytest.mark.pinned
def test_with_the_start_capacitor_the_machine_starts_against_thirteen_times_the_pressure_and_twelve_newton_metres() -> (
    None
):
    seen = start(MOTOR, 230.0, 4670 * np.array([0.99, 1.01]), gear=REFERENCE_KIT).run_up_s
    assert np.isfinite(seen[0])
    assert np.isnan(seen[1])
    stiff = start(MOTOR.but(friction_nm=12.0), np.array([208.0, 230, 240]), gear=REFERENCE_KIT)
    assert stiff.run_up_s == pytest.approx([0.183, 0.117, 0.100], abs=HALF_CYCLE_S)


@pytest.mark.pinned
def test_against_500_kpa_the_machine_needs_its_kit_and_runs_up_later_on_a_weak_one() -> None:
    assert np.isnan(start(HOUSE, 240.0, 500.0, ANGLES_DEG).run_up_s).all()
    for share, run_up_s, first_cycle_a in ((1.0, 0.067, 88.1), (0.6, 0.083, 83.1)):
        seen = start(HOUSE, 240.0, 500.0, ANGLES_DEG, StartGear(start_cap_uf=208 * share))
        assert np.median(seen.run_up_s) == pytest.approx(run_up_s, abs=HALF_CYCLE_S)
        assert np.median(seen.first_cycle_a) == pytest.approx(first_cycle_a, rel=0.01)


@pytest.mark.pinned
def test_the_start_capacitor_shortens_the_inrush_and_does_not_lower_it() -> None:
    bare, assisted = start(MOTOR, 230.0), start(MOTOR, 230.0, gear=REFERENCE_KIT)
    assert bare.first_cycle_a[0] == pytest.approx(87.3, rel=0.01)
    assert assisted.peak_a[0] == pytest.approx(150, rel=0.01)
    assert assisted.first_cycle_a[0] == pytest.approx(91.9, rel=0.01)
    assert assisted.run_up_s[0] < 0.5 * bare.run_up_s[0]


def runs(motor: Machine) -> tuple[Trace, slice]:
    """Return a start with the kit against 1700 kPa that does not grow, and its last cycles."""
    seen = trace(motor.but(rise_kpa_per_rev=0.0), 230.0, 1700.0, gear=REFERENCE_KIT, duration_s=1.5)
    return seen, last_cycles(seen)


@pytest.mark.pinned
def test_speed_and_power_at_full_pressure() -> None:
    seen, tail = runs(MOTOR)
    assert float(np.mean(seen.speed[tail])) * 3600 == pytest.approx(3482, rel=0.01)
    assert float(np.mean(seen.terminal_v[tail] * seen.line_a[tail])) == pytest.approx(2914, rel=0.01)


@pytest.mark.pinned
def test_with_its_run_capacitor_gone_the_machine_runs_on_its_main_winding_alone() -> None:
    # A run capacitor of a two-hundredth stands for none: with none at all the equations have no time constant left.
    seen, tail = runs(MOTOR.but(run_cap_uf=0.2))
    amps = rms(seen.line_a[tail])
    assert amps == pytest.approx(17.86, rel=0.01)
    assert float(np.mean(seen.terminal_v[tail] * seen.line_a[tail])) / 230 / amps == pytest.approx(0.770, abs=0.005)
    assert rms(seen.aux_a[tail]) < 0.03
