from __future__ import annotations

import numpy as np
import pytest

from analytics.conditions import Seen, angles_deg, at_stop_kpa, pressure, saturation_kpa, source_ohm, voltage
from simulator import refrigerant as refrigerant_of_fleet

NONE = np.zeros(4, dtype=bool)
DRAWS = np.array([-1.0, 0.0, 1.0, 2.0])


def stop_kpa(refrigerant: str, outdoor_c: float) -> float:
    return float(at_stop_kpa(refrigerant, np.array([outdoor_c]), np.zeros(1, dtype=bool))[0])


@pytest.mark.published
@pytest.mark.parametrize("refrigerant", ["R-410A", "R-32", "R-454B"])
def test_saturation_is_within_a_hundredth_of_the_property_library(refrigerant: str) -> None:
    # CoolProp (Bell et al., Ind. Eng. Chem. Res. 53, 2014, 2498-2508), by way of the simulated fleet's refrigerants.
    celsius = np.linspace(-50.0, 55.0, 106)
    library = refrigerant_of_fleet.saturation_kpa(refrigerant, celsius) + refrigerant_of_fleet.ATMOSPHERE_KPA
    assert saturation_kpa(refrigerant, celsius) == pytest.approx(library, rel=0.01)


def test_pressures_at_a_stop_grow_with_the_lift() -> None:
    assert stop_kpa("R-454B", -20.0) > stop_kpa("R-454B", 0.0) > stop_kpa("R-454B", 15.0) > 0
    assert stop_kpa("unheard of", 0.0) == stop_kpa("R-410A", 0.0)
    hot = at_stop_kpa("R-32", np.array([40.0, 25.0]), np.ones(2, dtype=bool))
    assert hot[0] > hot[1] > 0


def test_the_worst_voltage_is_the_lowest_but_for_one_start_in_a_hundred() -> None:
    line_v = np.concatenate([np.linspace(215.0, 245.0, 300), [12.0, 118.0]])
    found = voltage(Seen(line_v=line_v), 230.0)
    assert found.how == "measured"
    assert found.values == 301  # 12 V is no line voltage
    assert 215.0 <= found.worst < 218.0
    assert found.usual == pytest.approx(230.0, abs=0.5)


@pytest.mark.published
def test_unmeasured_voltage_is_range_a_of_the_service() -> None:
    # ANSI C84.1, Table 1 (from memory): 108 and 126 V on a 120 V base are 216 and 252 V of a 240 V service.
    found = voltage(Seen(), 230.0)
    assert (found.worst, found.usual, found.highest) == pytest.approx((216.0, 240.0, 252.0))
    assert voltage(Seen(), 208.0).usual == 208.0
    assert voltage(Seen(), None).how == "assumed"


def test_the_sources_resistance_comes_back_from_the_sag() -> None:
    # Phasors: 84 A lagging with power factor 0.672 through 0.09 + j 0.0585 ohm, at 240 V.
    sag_v = 240.0 - abs(240.0 - 84.0 * (0.672 - 0.741j) * (0.09 + 0.0585j))
    seen = Seen(line_v=np.full(30, 240.0), line_min_v=np.full(30, 240.0 - sag_v), peak_a=np.full(30, 84.0))
    resistance, how = source_ohm(seen)
    assert how == "measured"
    assert resistance == pytest.approx(0.09, rel=0.02)
    assert source_ohm(Seen())[1] == "assumed"


def test_points_of_closing_are_those_measured_or_else_spread_evenly() -> None:
    assert angles_deg(Seen(), 6).tolist() == [0, 30, 60, 90, 120, 150]
    assert angles_deg(Seen(close_deg=np.full(40, 92.0)), 6).tolist() == [92.0] * 6


def test_measured_pressures_win_over_rests_and_those_over_assumptions() -> None:
    starts = {
        "off_s": np.full(50, 300.0),
        "outdoor_c": np.full(50, -5.0),
        "cooling": np.zeros(50, dtype=bool),
        "suction_kpa": np.full(50, 600.0),
        "liquid_kpa": np.linspace(600.0, 740.0, 50),
    }
    rests = {"tau_s": np.full(40, 100.0), "stop_kpa": np.full(40, 1500.0)}
    measured = pressure(Seen(**starts, **rests), DRAWS, NONE, "txv", "R-454B")
    assert measured.how == "measured"
    assert measured.worst[1] == pytest.approx(140.0, abs=3.0)
    starts |= {"suction_kpa": np.full(50, np.nan), "liquid_kpa": np.full(50, np.nan)}
    from_rests = pressure(Seen(**starts, **rests), DRAWS, NONE, "txv", "R-454B")
    assert from_rests.how == "from rests"
    assert from_rests.worst[1] == pytest.approx(1500.0 * np.exp(-3.0), rel=1e-6)
    assumed = pressure(Seen(**starts), DRAWS, NONE, "txv", "R-454B")
    assert assumed.how == "assumed"
    assert assumed.worst[1] == pytest.approx(stop_kpa("R-454B", -5.0) * np.exp(-300.0 / 65.0), rel=1e-6)


def test_slow_equalising_and_a_longer_time_constant_leave_more() -> None:
    seen = Seen(off_s=np.full(50, 300.0), outdoor_c=np.full(50, -5.0), cooling=np.zeros(50, dtype=bool))
    usual = pressure(seen, DRAWS, NONE, "txv", "R-454B")
    slow = pressure(seen, DRAWS, ~NONE, "txv", "R-454B")
    assert (slow.worst > 2 * usual.worst).all()
    assert (np.diff(usual.worst) > 0).all()


def test_a_unit_of_which_nothing_is_known_has_pressures_by_the_shortest_usual_rest() -> None:
    found = pressure(Seen(), DRAWS, NONE, None)
    assert found.worst[1] == pytest.approx(stop_kpa("R-410A", 0.0) * np.exp(-300.0 / 65.0))
    assert found.values == 0
