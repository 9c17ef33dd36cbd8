"""What the pictures of a start show: figures that stand in them are those of the wave and of the motor."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from api.startpictures import recorded, simulated
from ingest.wave import reduce
from ingest.wavefile import Recording
from simulator import waves
from simulator.machine import REFERENCE_KIT, StartGear, reference_3_ton
from simulator.motor import trace

MOTOR = reference_3_ton()


def values(spec: dict[str, Any]) -> list[list[dict[str, float]]]:
    """Return the points of every line of a picture."""
    layers = [layer for panel in spec["vconcat"] for layer in panel["layer"]]
    found = [spec["datasets"][layer["data"]["name"]] for layer in layers]
    return [points for points in found if "v" in points[0]]


def test_a_recorded_wave_is_drawn_from_energising_with_its_run_up_and_its_half_cycle_rms() -> None:
    current, voltage = waves.sampled(MOTOR, StartGear(), 230.0, 0.0, 0.0)
    one = Recording(current_a=current, voltage_v=voltage, rate_hz=4000.0, hz=60)
    figures = reduce(current, voltage, 4000.0, 60)
    spec = recorded("one", one, figures)
    assert figures.run_up_s is not None
    assert f"running after {figures.run_up_s:.3f} s" in json.dumps(spec)
    momentary, rms, _, volts = values(spec)
    assert min(p["t"] for p in momentary) == pytest.approx(-0.05, abs=0.001)
    assert max(p["v"] for p in rms) == pytest.approx(figures.peak_a, rel=0.06)  # the first cycle is in it
    assert volts[0]["v"] == pytest.approx(230.0, rel=0.01)


def test_a_wave_without_voltage_has_one_panel() -> None:
    current, _ = waves.sampled(MOTOR, StartGear(), 230.0, 0.0, 0.0)
    one = Recording(current_a=current, voltage_v=None, rate_hz=4000.0, hz=60)
    assert len(recorded("one", one, reduce(current, None, 4000.0, 60))["vconcat"]) == 1


def test_a_simulated_start_and_its_assist_are_drawn_above_one_another_with_speed_and_torque() -> None:
    plain = trace(MOTOR, 230.0, 100.0, duration_s=0.4)
    assisted = trace(MOTOR, 230.0, 100.0, gear=REFERENCE_KIT, duration_s=0.4)
    spec = simulated("t", "s", plain, assisted, 60.0, ((0.24, "up"), (np.nan, "never")))
    titles = [panel["layer"][0]["encoding"]["y"]["title"] for panel in spec["vconcat"]]
    expected = [
        "current as it is, A",
        "current with assist, A",
        "voltage, V RMS",
        "speed, % of full",
        "mean torque, N·m",
    ]
    assert titles == expected
    text = json.dumps(spec)
    assert '"up"' in text
    assert '"never"' not in text
    lines = values(spec)
    assert lines[1][0]["v"] == pytest.approx(87, abs=3)  # one-cycle RMS of the inrush, pinned elsewhere
    slow, quick = lines[6], lines[7]
    assert max(p["v"] for p in slow if p["t"] < 0.1) < 50 < max(p["v"] for p in quick if p["t"] < 0.1)
