"""Waves made from figures give the figures back when they are reduced."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest

from ingest.wave import complete
from ingest.wire import Start
from simulator import waves

RAN: dict[str, Any] = {
    "seq": 1,
    "at": "2025-01-02T03:04:05Z",
    "outcome": "ran",
    "run_up_s": 0.21,
    "peak_a": 84.0,
    "run_a": 11.2,
    "run_pf": 0.93,
    "line_v": 241.0,
    "line_min_v": 233.0,
    "close_deg": 77.0,
    "off_s": 900.0,
}


@pytest.mark.parametrize("run_up_s", [0.12, 0.21, 0.4, 0.7])
@pytest.mark.parametrize("close_deg", [2.0, 77.0, 150.0])
def test_reducing_a_wave_gives_back_what_it_was_drawn_to(run_up_s: float, close_deg: float) -> None:
    sent = waves.with_wave(RAN | {"run_up_s": run_up_s, "close_deg": close_deg})
    assert "run_up_s" not in sent
    assert sent["off_s"] == 900.0
    got = complete(msgspec.convert(sent, Start))
    assert got.outcome == "ran"
    assert got.run_up_s == pytest.approx(run_up_s, abs=1 / 120)
    assert got.peak_a == pytest.approx(84.0, rel=0.02)
    assert got.run_a == pytest.approx(11.2, rel=0.01)
    assert got.run_pf == pytest.approx(0.93, abs=0.01)
    assert got.line_v == pytest.approx(241.0, rel=0.002)
    assert got.line_min_v == pytest.approx(233.0, rel=0.01)
    assert got.close_deg == pytest.approx(close_deg, abs=3)


def test_a_locked_start_reduces_to_locked() -> None:
    sent = waves.with_wave(RAN | {"outcome": "locked", "run_up_s": None})
    got = complete(msgspec.convert(sent, Start))
    assert got.outcome == "locked"
    assert got.run_up_s is None
    assert got.peak_a == pytest.approx(84.0, rel=0.02)


@pytest.mark.published
def test_the_offset_of_an_inductive_start_is_that_of_the_closed_form() -> None:
    # published: R-L circuit on a sine, i = √2·I·[sin(wt + a - p) + sin(p - a)·exp(-t/T)]. With R 1.871 and X 2.062 ohm
    # closed at voltage zero: peak 127.55 A for 83 A RMS.
    current, _ = waves.sampled(RAN | {"outcome": "locked", "peak_a": 83.0, "close_deg": 0.0})
    assert np.abs(current).max() == pytest.approx(127.55, rel=0.002)
