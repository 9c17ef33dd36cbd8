from __future__ import annotations

import numpy as np
import pytest

from analytics import onset
from analytics.options import DEFAULT


def _smoothed(own: np.ndarray) -> np.ndarray:
    """What verdicts tell of daily figures: sums that forget by the half-life, over their weights."""
    keep = 2.0 ** (-1.0 / DEFAULT.recent_half_life_d)
    total, weight, out = 0.0, 0.0, []
    for value in own:
        total, weight = keep * total + value, keep * weight + 1.0
        out.append(total / weight)
    return np.array(out)


def _history(rng: np.random.Generator, days: int, began: int, rise_d: int, size: float) -> np.ndarray:
    """A level that strays a little from day to day, scatter of each day, and a rise."""
    stray = np.zeros(days)
    for d in range(1, days):
        stray[d] = 0.9 * stray[d - 1] + rng.normal(0, 0.006)
    rise = size * np.clip((np.arange(days) - began) / rise_d, 0, 1)
    return np.asarray(stray + rng.normal(0, 0.025, days) + rise)


def test_figures_of_the_day_are_those_that_went_into_the_smoothed_ones() -> None:
    rng = np.random.default_rng(1)
    own = rng.normal(0, 0.03, 100)
    day = np.arange(100) + 20_000
    got_day, got = onset.of_the_day(day, _smoothed(own))
    assert got_day.tolist() == day[1:].tolist()
    # Once the weights have come to rest.
    assert got[40:] == pytest.approx(own[41:], abs=2e-5)
    assert onset.of_the_day(np.delete(day, 50), np.delete(_smoothed(own), 50))[0].tolist() == [
        d for d in day[1:].tolist() if d not in (20_050, 20_051)
    ]


@pytest.mark.parametrize(("rise_d", "size", "alarm_after_d"), [(1, 0.12, 3), (20, 0.15, 14), (60, 0.25, 30)])
def test_the_interval_holds_the_true_day_as_often_as_it_says(rise_d: int, size: float, alarm_after_d: int) -> None:
    rng = np.random.default_rng(rise_d)
    day, held, held_later, width = np.arange(120), 0, 0, []
    for _ in range(120):
        began = int(rng.integers(40, 80))
        own = _history(rng, 120, began, rise_d, size)
        last = began + alarm_after_d
        told = onset.interval(day[: last + 1], _smoothed(own)[: last + 1], last)
        later = onset.interval(day[: last + 11], _smoothed(own)[: last + 11], last)
        assert told is not None
        assert later is not None
        assert told.low <= told.high <= last
        held += told.low <= began <= told.high
        held_later += later.low <= began <= later.high
        width.append((told.high - told.low, later.high - later.low))
    # Nine tenths stated; three standard deviations of 120 draws are 0.08.
    assert held / 120 >= 0.82
    assert held_later / 120 >= 0.82
    first, then = np.median(width, axis=0)
    assert then <= first
    assert then < (15 if rise_d == 1 else 40)


def test_a_fortnight_is_needed_to_tell_by() -> None:
    assert onset.interval(np.arange(10), np.zeros(10), 9) is None
    assert onset.interval(np.arange(0, 60, 2), np.zeros(30), 59) is None
