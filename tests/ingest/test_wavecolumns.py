"""Which column is which, by its name."""

from __future__ import annotations

import pytest

from ingest.errors import BadInputError
from ingest.wavecolumns import Quantity, find


@pytest.mark.parametrize(
    ("name", "quantity", "scale"),
    [
        ("current_a", "current", 1.0),
        ("Current [mA]", "current", 1e-3),
        ("I (A)", "current", 1.0),
        ("stator_current_A", "current", 1.0),
        ("Amps", "current", 1.0),
        ("current", "current", 1.0),
        ("L1 current (kA)", "current", 1e3),
        ("voltage_v", "voltage", 1.0),
        ("U [V]", "voltage", 1.0),
        ("line voltage (kV)", "voltage", 1e3),
        ("Volts", "voltage", 1.0),
        ("time_s", "time", 1.0),
        ("t_ms", "time", 1e-3),
        ("Time (µs)", "time", 1e-6),
        ("time", "time", 1.0),
        ("t", "time", 1.0),
    ],
)
def test_a_column_and_its_unit_are_known_by_name(name: str, quantity: Quantity, scale: float) -> None:
    assert find(["row", name], quantity, "f.csv") == (name, scale)
    for other in {"time", "current", "voltage"} - {quantity}:
        assert find([name], other, "f.csv") is None  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["", "row", "temperature_c", "power_w", "pressure_kpa", "42"])
def test_other_columns_are_left_alone(name: str) -> None:
    assert [find([name], q, "f.csv") for q in ("time", "current", "voltage")] == [None, None, None]


def test_a_winding_other_than_the_line_is_passed_over() -> None:
    assert find(["rotor_current_A", "stator_current_A"], "current", "f.csv") == ("stator_current_A", 1.0)


def test_the_plain_name_wins() -> None:
    assert find(["fan_current_a", "current_a"], "current", "f.csv") == ("current_a", 1.0)


def test_two_that_could_be_meant_are_asked_about_in_one_line() -> None:
    with pytest.raises(BadInputError, match="rename the one to be read 'current_a'") as error:
        find(["L1 current", "L2 current"], "current", "f.csv")
    assert str(error.value) == (
        "f.csv: current could be L1 current or L2 current; rename the one to be read 'current_a'"
    )
