"""The libraries' detectors: silent on noise, and the larger a step the higher their score."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analytics.scoring import rivals_libraries as libraries
from ingest.errors import UnavailableError

Detector = Callable[[np.ndarray], np.ndarray]
EACH: tuple[Detector, ...] = (libraries.page_hinkley, libraries.adwin, libraries.change_points)


def _rows(step: float) -> np.ndarray:
    made = np.random.default_rng(2).normal(-1.5, 0.05, (12, 150))
    made[:, 90:] += step
    return made


@pytest.mark.parametrize("detector", EACH)
def test_a_detector_is_silent_on_noise_and_finds_a_step_upwards(detector: Detector) -> None:
    assert np.nanmax(detector(_rows(0.0))) <= 1
    assert np.nanmax(detector(_rows(-0.6))) <= 1
    high = np.nanmax(detector(_rows(0.6))[:, 85:140], axis=1)
    assert (high >= 3).mean() > 0.7


@pytest.mark.parametrize("detector", EACH)
def test_nothing_is_said_of_days_without_starts(detector: Detector) -> None:
    rows = _rows(0.6)
    rows[:, 100] = np.nan
    assert np.isnan(detector(rows)[:, 100]).all()


def test_a_library_that_is_missing_gets_one_line() -> None:
    with pytest.raises(UnavailableError, match="setup installs it"):
        libraries._library("no_such_library")
