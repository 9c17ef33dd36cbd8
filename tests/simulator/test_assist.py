"""What a start kit would do to a unit's start."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.errors import BadInputError
from simulator.assist import Nameplate, effect, kit, scaled, useful_range_uf
from simulator.machine import reference_3_ton
from simulator.steady import steady

PLATE = Nameplate(tons=3.0, lra_a=83.0, rla_a=17.0, volts=230.0, run_cap_uf=40.0, compressor="reciprocating")


def test_the_reference_plate_gives_the_reference_machine() -> None:
    machine = scaled(PLATE).machine
    reference = reference_3_ton()
    for name, value in vars(reference).items():
        assert float(getattr(machine, name)) == pytest.approx(float(value), rel=0.01), name


@pytest.mark.parametrize(("tons", "lra_a", "volts", "cap_uf"), [(2.0, 58.0, 230.0, 30.0), (5.0, 148.0, 208.0, 70.0)])
def test_a_scaled_machine_draws_its_plates_locked_rotor_current(
    tons: float, lra_a: float, volts: float, cap_uf: float
) -> None:
    found = scaled(Nameplate(tons=tons, lra_a=lra_a, volts=volts, run_cap_uf=cap_uf, compressor="scroll"))
    # The winding ratio shifts the auxiliary winding's small share of the current a little.
    assert abs(complex(steady(found.machine, volts, 1.0).line_a)) == pytest.approx(lra_a, rel=0.02)
    assert float(found.machine.run_cap_uf) == cap_uf


def test_what_is_not_on_the_plate_is_said() -> None:
    assumptions = " ".join(scaled(Nameplate()).assumptions)
    for word in ("230 V", "3.0 tons", "83 A", "40 uF", "reciprocating"):
        assert word in assumptions


def test_a_start_capacitor_halves_run_up_and_multiplies_torque_at_the_worst_conditions() -> None:
    # Common practice, no source: about half the run-up time with a start capacitor of 189 to 227 uF.
    found = effect(scaled(PLATE).machine, 216.0, 150.0, np.array([0.0, 189.0, 208.0, 227.0]))
    assert found.stalled.tolist() == [0.0, 0.0, 0.0, 0.0]
    assert (found.run_up_s[1:] <= 0.55 * found.run_up_s[0]).all()
    assert (found.torque_nm[1:] >= 5 * found.torque_nm[0]).all()
    assert found.total_uf[2] == pytest.approx(248.0, abs=0.5)
    assert np.isnan(found.in_circuit_s[0])
    assert (found.in_circuit_s[1:] < 0.3).all()


def test_the_curve_of_torque_over_size_has_a_top_and_the_range_stops_there() -> None:
    found = effect(scaled(PLATE).machine, 208.0, 600.0)
    top = int(np.argmax(found.torque_nm))
    assert 0 < top < len(found.start_cap_uf) - 1
    span = useful_range_uf(found)
    assert span is not None
    assert span[0] < 208.0 < span[1] <= found.start_cap_uf[top]


def test_against_a_load_beyond_any_capacitor_there_is_no_range() -> None:
    stiff = scaled(PLATE).machine.but(friction_nm=40.0)
    assert useful_range_uf(effect(stiff, 208.0, 600.0, np.array([100.0, 200.0, 400.0]))) is None


def test_a_scroll_feels_less_of_the_pressure_than_a_piston() -> None:
    piston, scroll = (
        effect(scaled(Nameplate(compressor=kind)).machine, 230.0, 500.0, 0.0) for kind in ("reciprocating", "scroll")
    )
    assert piston.stalled[0] == 1.0
    assert scroll.stalled[0] == 0.0


def test_the_kits_coil_is_scaled_with_the_winding() -> None:
    assert float(np.asarray(kit(scaled(PLATE).machine, 208.0).pick_up_v)) == pytest.approx(300.0, rel=0.01)
    finer = scaled(Nameplate(tons=3.0, lra_a=83.0, volts=230.0, run_cap_uf=20.0)).machine
    assert float(np.asarray(kit(finer, 100.0).pick_up_v)) == pytest.approx(300 * np.sqrt(2), rel=0.01)


def test_an_impossible_plate_or_condition_is_named() -> None:
    with pytest.raises(BadInputError, match=r"lra_a: -3.0 is not above 0"):
        scaled(Nameplate(lra_a=-3.0))
    with pytest.raises(BadInputError, match=r"line_v: 20.0 is outside 100 to 300"):
        effect(scaled(PLATE).machine, 20.0, 0.0)
