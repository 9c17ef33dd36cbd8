"""Units become ours by the factors of the handbook."""

from __future__ import annotations

import pytest

from ingest.conversions import UNITS, units_of
from ingest.wire import START_FIELDS


@pytest.mark.published
@pytest.mark.parametrize(
    ("field", "unit", "theirs", "ours"),
    [
        # published: NIST SP 811 (2008), appendix B.8, as remembered: psi to Pa 6.894 757 E+03, bar to Pa 1.0 E+05,
        # mmHg is not offered; degree Fahrenheit to Celsius t = (t_F - 32)/1.8, kelvin T - 273.15, hour 3.6 E+03 s.
        ("suction_kpa", "psi", 1.0, 6.894757),
        ("liquid_kpa", "bar", 1.0, 100.0),
        ("outdoor_c", "degF", 212.0, 100.0),
        ("outdoor_c", "degF", 32.0, 0.0),
        ("outdoor_c", "degF", -40.0, -40.0),
        ("outdoor_c", "K", 273.15, 0.0),
        ("off_s", "h", 1.0, 3600.0),
        ("close_deg", "rad", 3.141592653589793, 180.0),
        # published: ISO 2533, standard atmosphere 101.325 kPa; 14.695 95 psi is the same pressure (NIST SP 811, B.8)
        ("suction_kpa", "kPa_abs", 101.325, 0.0),
        ("suction_kpa", "psi_abs", 14.69595, 0.0),
        # published: a period at 60 Hz is 16.667 ms (by definition of the hertz)
        ("run_up_s", "cycles_60hz", 12.0, 0.2),
    ],
)
def test_a_value_in_another_unit_becomes_ours_as_the_handbook_has_it(
    field: str, unit: str, theirs: float, ours: float
) -> None:
    factor, offset = units_of(field)[unit]
    assert factor * theirs + offset == pytest.approx(ours, rel=1e-6, abs=1e-4)


def test_every_quantity_of_a_start_has_units_and_the_first_is_its_own() -> None:
    quantities = set(START_FIELDS) - {"seq", "at", "outcome", "mode", "stage", "retry"}
    assert {field for field in START_FIELDS if units_of(field)} == quantities
    assert all(next(iter(units.values())) == (1.0, 0.0) for units in UNITS.values())
