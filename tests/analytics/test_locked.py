from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from analytics import locked
from analytics.options import DEFAULT


def test_the_interval_lies_within_the_exact_poisson_limits() -> None:
    seen = np.arange(0, 30, dtype=float)
    # With half an expected event, the posterior of the rate is gamma(seen + 1/2, 1): the limits lie between those of
    # gamma(seen) and gamma(seen + 1), which bound the exact limits of Garwood (1936).
    _, low, high = locked.interval(seen, np.full(30, 0.5))
    exact_low = np.where(seen > 0, stats.chi2.ppf(0.05, 2 * np.maximum(seen, 0.5)) / 2, 0.0)
    exact_high = stats.chi2.ppf(0.95, 2 * (seen + 1)) / 2
    assert (low >= exact_low).all()
    assert (high <= exact_high).all()


@pytest.mark.published
@pytest.mark.parametrize(
    ("seen", "low", "high"), [(1, 0.0253, 5.5716), (2, 0.2422, 7.2247), (5, 1.6235, 11.6683), (10, 4.7954, 18.3904)]
)
def test_gamma_quantiles_give_the_published_exact_poisson_limits(seen: int, low: float, high: float) -> None:
    # published: exact 95 % limits of a Poisson count (Garwood 1936; standard tables). The same incomplete gamma
    # function as in `interval`, at the shapes of the exact limits.
    assert locked.gammaincinv(seen, 0.025) == pytest.approx(low, abs=5e-5)
    assert locked.gammaincinv(seen + 1, 0.975) == pytest.approx(high, abs=5e-5)


def test_the_interval_of_the_ratio_covers_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    truth = rng.gamma(0.5, 2.0, 20_000)
    expected = 3.0
    seen = rng.poisson(truth * expected).astype(float)
    _, low, high = locked.interval(seen, np.full(20_000, expected))
    assert np.mean((low <= truth) & (truth <= high)) == pytest.approx(0.90, abs=0.02)


def _run(rate: np.ndarray, p: float, days: int, seed: int) -> np.ndarray:
    """First alarm day of units that lock `rate` times as often as expected; -1 none."""
    rng = np.random.default_rng(seed)
    units = len(rate)
    state = locked.begin(units)
    first = np.full(units, -1)
    unit = np.repeat(np.arange(units), 15)
    for day in range(days):
        locked.turn(state, day)
        lock = rng.random(len(unit)) < p * rate[unit]
        each = np.full(len(unit), p)
        locked.take(state, day, unit, lock, np.ones(len(unit), dtype=bool), each, each, np.ones(units, dtype=bool))
        locked.follow(state, day, np.ones(units, dtype=bool), DEFAULT)
        first = np.where((first < 0) & state.alarm, day, first)
    return first


def test_units_that_lock_as_expected_raise_few_alarms_and_those_that_lock_often_many() -> None:
    healthy = _run(np.ones(400), 3e-4, 365, 2)
    assert np.mean(healthy >= 0) < 0.05
    often = _run(np.full(100, 30.0), 3e-4, 90, 3)
    assert np.mean(often >= 0) > 0.9
    assert np.median(often[often >= 0]) < 40


def test_the_test_is_the_textbook_sum_one_start_after_the_other() -> None:
    rng = np.random.default_rng(5)
    state = locked.begin(1)
    p = rng.uniform(1e-4, 0.05, 200)
    lock = rng.random(200) < 0.04
    one = np.zeros(1, dtype=np.int64)
    total = 0.0
    for k in range(200):
        state.old[:] = 0.0  # no past, so no proneness
        locked.take(state, 0, one, lock[k : k + 1], np.array([True]), p[k : k + 1], p[k : k + 1], np.array([True]))
        total = max(0.0, total + np.log(20.0) * lock[k] - np.log1p(19.0 * p[k]))
        assert state.score[0] == pytest.approx(total, abs=1e-5)


def test_the_window_is_the_last_twenty_eight_days_and_those_of_the_present_week() -> None:
    state = locked.begin(1)
    use = np.ones(1, dtype=bool)
    for day in range(40):
        locked.turn(state, day)
        hit = np.array([day == 3])
        locked.take(state, day, np.zeros(1, dtype=np.int64), hit, use, np.array([0.01]), np.array([0.01]), use)
        counts = locked.window(state)[0]
        # Day 3 is in the week that ends with day 6, which leaves as the fifth after it begins.
        assert counts[locked.SEEN] == (1 if 3 <= day < 35 else 0)
        assert counts[locked.N] == min(day + 1, 28 + day % 7 + 1)
        assert counts[locked.N] + state.old[0, 1] / 0.01 == pytest.approx(day + 1, rel=1e-3)
    assert state.old[0, 0] == 1


def test_a_visit_empties_test_and_window() -> None:
    state = locked.begin(1)
    use = np.ones(1, dtype=bool)
    for day in range(3, 8):
        locked.turn(state, day)
        locked.take(state, day, np.zeros(1, dtype=np.int64), use, use, np.array([1e-4]), np.array([1e-4]), use)
        locked.follow(state, day, use, DEFAULT)
    assert state.alarm[0]
    assert state.since_day[0] == 3
    locked.clear(state, np.array([0]), forget=True)
    assert not state.alarm[0]
    assert state.score[0] == 0
    assert not locked.window(state).any()


def test_a_lockout_alone_raises_an_alarm_and_a_retry_that_runs_speaks_against_one() -> None:
    state = locked.begin(3)
    unit = np.array([0, 0, 0, 1, 1, 2])
    is_locked = np.array([True, True, True, True, False, True])
    first = np.array([True, False, False, True, False, True])
    p = np.full(6, 3e-4)
    locked.turn(state, 0)
    locked.take(state, 0, unit, is_locked, first, p, p, np.ones(3, dtype=bool))
    locked.follow(state, 0, np.ones(3, dtype=bool), DEFAULT)
    assert state.alarm.tolist() == [True, False, False]
    assert state.score[1] < state.score[2]
