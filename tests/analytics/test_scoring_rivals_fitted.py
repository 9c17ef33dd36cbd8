"""The rivals that fit conditions: on a simulated fleet with a planted step, and on made starts."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from analytics.scoring import rivals_fitted as fitted
from analytics.scoring.folder import Known
from analytics.scoring.rivals_fitted import Timed


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Small matrices: threads of the linear algebra would only wait for one another."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def told(simulated: Known) -> Timed:
    """The fleet's timed starts."""
    return fitted.timed(simulated)


def test_timed_starts_lie_within_their_segments_and_the_first_days_are_early(told: Timed) -> None:
    assert (told.day >= told.begin[told.segment]).all()
    assert (told.day < told.end[told.segment]).all()
    assert (np.diff(told.segment) >= 0).all()
    assert told.early[told.day < told.begin[told.segment] + 25].mean() > 0.99
    assert not told.early[told.day > told.begin[told.segment] + 80].any()


def test_a_daily_mean_is_the_mean_of_the_day(told: Timed) -> None:
    rows = fitted.daily_mean(told, told.y)
    segment, day = int(told.segment[100]), int(told.day[100])
    mine = (told.segment == segment) & (told.day == day)
    assert rows[segment, day] == pytest.approx(told.y[mine].mean())


@pytest.fixture(scope="module")
def model(simulated: Known, told: Timed) -> Any:
    """Boosting of few rounds, which do here."""
    return fitted.boosted([fitted.sample(told, simulated)], rounds=15)


def test_both_find_a_planted_step(simulated: Known, told: Timed, model: Any) -> None:
    later = told.day >= 60
    planted = dataclasses.replace(told, y=told.y + 0.5 * later)
    for before, after in (
        (fitted.robust_cusum(told), fitted.robust_cusum(planted)),
        (fitted.boosting(told, simulated, model), fitted.boosting(planted, simulated, model)),
    ):
        rows = np.isfinite(after[:, 70:]).any(axis=1)
        risen = np.nanmean((after - before)[rows, 70:], axis=1)
        assert rows.sum() > 20
        assert (risen > 1).mean() > 0.9


def test_boosting_learns_what_conditions_do(simulated: Known, told: Timed, model: Any) -> None:
    x = fitted._with_class(told, simulated)
    error = told.y - fitted._offset(told, told.y, np.ones(len(told.y), bool))[told.segment]
    assert np.var(error - model.predict(x)) < 0.95 * np.var(error)
