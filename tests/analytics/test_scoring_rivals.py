"""The rivals: they find a planted step and are silent on noise, and charts follow the handbook."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.scoring import rivals
from analytics.scoring.folder import Known

DAYS = 120


def _noise(rows: int, step: float = 0.0, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    made = rng.normal(-1.5, 0.05, (rows, DAYS))
    made[:, 80:] += step
    return made


@pytest.mark.parametrize("chart", [rivals.ewma, rivals.cusum])
def test_a_chart_is_silent_on_noise_and_finds_a_step(chart: object) -> None:
    assert callable(chart)
    quiet, stepped = chart(_noise(40)), chart(_noise(40, 0.15))
    assert np.isnan(quiet[:, : rivals.LEARN_D]).all()
    assert np.nanmax(stepped[:, 80:95]) > np.nanmax(quiet)
    found = np.nanmax(stepped[:, 80:95], axis=1) > np.nanquantile(np.nanmax(quiet, axis=1), 0.95)
    assert found.mean() > 0.9


@pytest.mark.published
def test_the_ewma_chart_follows_the_handbook() -> None:
    # published: NIST/SEMATECH e-Handbook 6.3.2.4, example: weight 0.3, centre 50, standard deviation 2.0539, and the
    # chart's first values 50.00 52.0 -> EWMA 50.60 47.0 -> 49.52 53.0 -> 50.56 (limits not yet at their final width).
    first = np.tile([50 - 2.0539, 50 + 2.0539], rivals.LEARN_D // 2)
    rows = np.concatenate([first, [52.0, 47.0, 53.0]])[None]
    mean, sd, later = rivals.learned(rows)
    assert mean[0] == pytest.approx(50.0)
    width = sd[0] * np.sqrt(0.3 / 1.7 * (1 - 0.7 ** (2 * np.arange(1, 4))))
    told = rivals.ewma(rows, weight=0.3)[0, rivals.LEARN_D :]
    assert told * width == pytest.approx(np.maximum(np.array([50.60, 49.52, 50.56]) - 50.0, 0), abs=0.006)
    assert later.sum() == 3


def test_segments_begin_at_the_visits_after_which_history_begins_anew(simulated: Known) -> None:
    unit, begin, end = rivals.segments(simulated)
    assert len(unit) == simulated.fleet.size + simulated.restart[:, 1:].sum()
    assert (end > begin).all()
    assert np.bincount(unit, end - begin).tolist() == [simulated.days] * simulated.fleet.size
    days = rivals.daily(simulated)
    assert (np.isfinite(days.mean_s).sum(axis=1) <= end - begin).all()
    assert (days.largest_s >= days.mean_s - 1e-9)[np.isfinite(days.mean_s)].all()


def test_the_score_of_a_unit_is_that_of_the_segment_of_the_day() -> None:
    score = np.arange(12.0).reshape(2, 6)
    score[1, 3] = np.nan
    unit, begin, end = np.array([0, 0]), np.array([0, 3]), np.array([3, 6])
    assert rivals.by_unit(score, unit, begin, end, 1).tolist() == [[0, 1, 2, 0, 10, 11]]


def test_limits_need_days_to_learn_from() -> None:
    rows = np.full((1, DAYS), np.nan)
    rows[0, :5] = 1.0
    assert rivals.learned(rows)[1][0] == np.inf
