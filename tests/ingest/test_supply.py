"""What the voltage tells of a start."""

from __future__ import annotations

import numpy as np
import pytest

from ingest import supply
from ingest.energising import Span

CYCLE = 4000 / 60


def line(deg_at_400: float = 40.0, volts: float = 240.0) -> np.ndarray:
    return np.sqrt(2.0) * volts * np.sin(np.radians(deg_at_400) + 2 * np.pi * (np.arange(4000) - 400) / CYCLE)


SPAN = Span(begin=400.0, end=4000, seen=True, cut=False)


@pytest.mark.parametrize("deg", [5.0, 90.0, 175.0, 185.0, 355.0])
def test_windows_begin_at_the_first_zero_crossing_after_energising(deg: float) -> None:
    first = supply.first_crossing(line(deg), SPAN, 4000, 60)
    assert 400 <= first <= 400 + CYCLE / 2
    assert np.sin(np.radians(deg) + 2 * np.pi * (first - 400) / CYCLE) == pytest.approx(0.0, abs=1e-3)


def test_without_voltage_windows_begin_with_energising() -> None:
    assert supply.first_crossing(None, SPAN, 4000, 60) == 400.0
    assert supply.first_crossing(np.zeros(4000), SPAN, 4000, 60) == 400.0


def test_the_voltage_at_rest_the_sag_and_the_closing_angle_are_told() -> None:
    voltage = line(220.0)
    voltage[400:1200] *= 0.9
    grid = supply.first_crossing(voltage, SPAN, 4000, 60)
    line_v, line_min_v, close_deg = supply.figures(voltage, SPAN, grid, 1200.0, 4000, 60)
    assert line_v == pytest.approx(240.0, rel=1e-4)
    assert line_min_v == pytest.approx(216.0, rel=1e-4)
    assert close_deg == pytest.approx(40.0, abs=0.1)


def test_a_sag_after_the_run_up_is_not_the_starts() -> None:
    voltage = line()
    voltage[2500:] *= 0.8
    _, line_min_v, _ = supply.figures(voltage, SPAN, 400.0, 1200.0, 4000, 60)
    assert line_min_v == pytest.approx(240.0, rel=1e-4)


def test_a_voltage_tapped_behind_the_contactor_has_no_value_at_rest() -> None:
    voltage = line(40.0)
    voltage[:400] = 0.0
    line_v, _, close_deg = supply.figures(voltage, SPAN, 400.0, 1200.0, 4000, 60)
    assert line_v is None
    assert close_deg == pytest.approx(40.0, abs=0.1)
