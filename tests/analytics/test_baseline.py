from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from analytics import baseline, compact, spd
from analytics.options import DEFAULT, Options

RNG = np.random.default_rng(11)


def _prior(p: int, unit_sd: float = 0.3) -> baseline.Prior:
    return baseline.prior_before_data(np.zeros(p), np.full(p, 1.0), np.full(p, unit_sd), 1)


def _rows(units: int, each: int, p: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    unit = np.repeat(np.arange(units), each)
    x = np.column_stack([np.ones(len(unit)), RNG.normal(size=(len(unit), p - 1))])
    y = x @ np.arange(1, p + 1) + RNG.normal(0, 0.2, len(unit))
    return unit, x, y, RNG.uniform(5, 30, len(unit))


def test_sums_of_a_day_are_the_weighted_normal_equations() -> None:
    unit, x, y, w = _rows(4, 9)
    sums = baseline.day_sums(unit, x, y, w, 0.0)
    for u in range(4):
        mine = unit == u
        assert np.allclose(spd.full(sums.n[u]), x[mine].T @ (x[mine] * w[mine, None]))
        assert np.allclose(sums.m[u], x[mine].T @ (y[mine] * w[mine]))
    assert sums.starts.tolist() == [9] * 4


def test_with_a_wide_prior_the_posterior_is_weighted_least_squares() -> None:
    unit, x, y, w = _rows(2, 60)
    stream = baseline.begin(np.zeros(2, dtype=np.int64), _prior(3, unit_sd=1e3))
    sums = baseline.day_sums(unit, x, y, w, 0.0)
    compact.put(stream.base_n, np.arange(2), sums.n)
    stream.base_m = sums.m
    baseline.solve(stream, np.arange(2))
    cov = spd.full(baseline.covariance(stream, np.arange(2)))
    combined = baseline.variance(stream, np.arange(2), np.tile([[1.0, 0.0, 0.0], [1.0, -2.0, 0.5]], (2, 1, 1)))
    for u in range(2):
        # An independent reference: statsmodels' weighted least squares, and its covariance at unit scale; to the five
        # digits of the largest entry that sums are kept to.
        fit = sm.WLS(y[unit == u], x[unit == u], weights=w[unit == u]).fit()
        wanted = fit.normalized_cov_params
        assert np.allclose(stream.mean[u], fit.params, atol=2e-4 * np.abs(fit.params).max())
        assert np.allclose(cov[u], wanted, atol=2e-4 * np.abs(wanted).max())
        assert stream.level_var[u] == pytest.approx(wanted[0, 0], rel=1e-4)
        assert combined[u] == pytest.approx([v @ wanted @ v for v in np.array([[1, 0, 0], [1, -2, 0.5]])], rel=2e-4)
    # And what they are before they are kept, to rounding.
    inverse = spd.full(spd.inverses(sums.n, stream.prior.ridge))
    for u in range(2):
        fit = sm.WLS(y[unit == u], x[unit == u], weights=w[unit == u]).fit()
        assert np.allclose(inverse[u], fit.normalized_cov_params, rtol=1e-4)
        assert np.allclose(inverse[u] @ sums.m[u], fit.params, atol=1e-6)


def test_what_has_no_value_and_units_without_any_add_nothing() -> None:
    unit, x, y, w = _rows(3, 8)
    y[unit == 1], y[3] = np.nan, np.nan
    sums, rest = baseline.day_sums(unit, x, y, w, 0.02), np.isfinite(y)
    expected = baseline.day_sums(unit[rest], x[rest], y[rest], w[rest], 0.02)
    assert sums.unit.tolist() == [0, 2]
    assert sums.starts.tolist() == [7, 8]
    assert np.array_equal(sums.n, expected.n)
    assert np.array_equal(sums.m, expected.m)


def test_a_day_effect_bounds_what_one_day_can_tell() -> None:
    unit, x, y, w = _rows(1, 4000, 1)
    sums = baseline.day_sums(unit, x, y, w, 0.03**2)
    assert sums.n[0, 0] == pytest.approx(1 / 0.03**2, rel=0.02)


def _feed(stream: baseline.Stream, unit: np.ndarray, x: np.ndarray, y: np.ndarray) -> None:
    baseline.add(stream, baseline.day_sums(unit, x, y, np.full(len(y), 25.0), 0.0), DEFAULT)


def test_nothing_is_learned_before_seven_days_and_thirty_starts() -> None:
    stream = baseline.begin(np.zeros(2, dtype=np.int64), _prior(2))
    since = np.zeros(2, dtype=np.int64)
    for day in range(10):
        each = np.array([0] * 6 + [1] * 2)  # the second unit starts twice a day
        x = np.column_stack([np.ones(8), RNG.normal(size=8)])
        _feed(stream, each, x, x[:, 1])
        learned = baseline.learn(stream, day, since, DEFAULT)
        assert (0 in learned) == (day == 6)
        assert 1 not in learned


def test_after_sixty_days_only_contrasts_are_learned_and_the_level_stays() -> None:
    options = Options(min_starts=10)
    stream = baseline.begin(np.zeros(1, dtype=np.int64), _prior(2))
    since = np.zeros(1, dtype=np.int64)
    for day in range(150):
        creep = 0.01 * max(0, day - 60)
        x = np.column_stack([np.ones(20), RNG.normal(size=20)])
        y = 1.0 + 0.5 * x[:, 1] + creep + RNG.normal(0, 0.1, 20)
        _feed(stream, np.zeros(20, dtype=np.int64), x, y)
        baseline.learn(stream, day, since, options)
    assert stream.mean[0, 0] == pytest.approx(1.0, abs=0.05)
    assert stream.mean[0, 1] == pytest.approx(0.5, abs=0.02)


def test_beginning_anew_forgets_everything_but_the_class() -> None:
    stream = baseline.begin(np.zeros(1, dtype=np.int64), _prior(2))
    x = np.column_stack([np.ones(50), RNG.normal(size=50)])
    _feed(stream, np.zeros(50, dtype=np.int64), x, x[:, 1] + 3)
    compact.put(stream.base_n, np.arange(1), compact.loose(stream.block_n, np.arange(1)))
    stream.base_m, stream.base_blocks[:] = stream.block_m.copy(), 1
    baseline.solve(stream, np.arange(1))
    baseline.restart(stream, np.array([0]), 5)
    fresh = baseline.begin(np.zeros(1, dtype=np.int64), _prior(2))
    assert np.allclose(stream.mean, fresh.mean)
    assert not compact.loose(stream.recent_n, np.arange(1)).any()
    assert stream.base_blocks[0] == 0
