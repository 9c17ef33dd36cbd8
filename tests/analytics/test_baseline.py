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
    stream = baseline.begin(np.zeros(2, dtype=np.int64), _prior(3, unit_sd=1e2))
    sums = baseline.day_sums(unit, x, y, w, 0.0)
    baseline.take_in(stream, np.arange(2), sums.n, sums.m)
    cov = spd.full(baseline.covariance(stream, np.arange(2)))
    combined = baseline.variance(stream, np.arange(2), np.tile([[1.0, 0.0, 0.0], [1.0, -2.0, 0.5]], (2, 1, 1)))
    for u in range(2):
        # An independent reference: statsmodels' weighted least squares, and its covariance at unit scale; to the steps
        # that coefficients and sums are kept in.
        fit = sm.WLS(y[unit == u], x[unit == u], weights=w[unit == u]).fit()
        wanted = fit.normalized_cov_params
        assert np.allclose(stream.mean[u], fit.params, atol=0.6 * baseline.STEP)
        assert np.allclose(cov[u], wanted, atol=0.03 * np.abs(wanted).max())
        assert stream.level_var[u, 0] == pytest.approx(wanted[0, 0], rel=1e-3)
        assert combined[u] == pytest.approx([v @ wanted @ v for v in np.array([[1, 0, 0], [1, -2, 0.5]])], rel=0.03)
    # And what they are before they are kept, to rounding.
    inverse = spd.full(spd.inverses(sums.n, stream.priors[0].ridge))
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
    one = np.array([0])
    baseline.take_in(stream, one, compact.loose(stream.block, one), compact.right(stream.block, one))
    assert stream.mean[0, 0] > 2
    baseline.restart(stream, one)
    fresh = baseline.begin(np.zeros(1, dtype=np.int64), _prior(2))
    assert np.allclose(stream.mean, fresh.mean)
    for kept in (stream.base, stream.block, stream.recent, stream.slow):
        assert not compact.loose(kept, one).any()
        assert not compact.right(kept, one).any()
    assert stream.base_blocks[0] == 0


def test_a_unit_that_learns_block_by_block_knows_what_it_would_know_from_all_of_them_at_once() -> None:
    # Reference: numpy's solution of the normal equations of all starts under the prior.
    unit, x, y, w = _rows(1, 90)
    prior = _prior(3)
    stream = baseline.begin(np.zeros(1, dtype=np.int64), prior)
    for part in np.split(np.arange(90), 3):
        sums = baseline.day_sums(unit[part], x[part], y[part], w[part], 0.0)
        off = baseline.off_expected(sums.n, sums.m, stream.mean)
        baseline.take_in(stream, np.array([0]), sums.n, off)
    whole = (x * w[:, None]).T @ x + np.linalg.inv(prior.sigma)
    wanted = np.linalg.solve(whole, x.T @ (w * y))
    # How much each block counts for is kept to a step of 127, and with it the mean is as far off.
    assert np.abs(stream.mean[0] - wanted).max() < 0.02 * np.abs(wanted).max()
    # What it has learned altogether follows from it again.
    n, m = baseline.learned(stream, np.array([0]))
    again = np.linalg.solve(spd.full(n[0]) + np.linalg.inv(prior.sigma), m[0])
    assert again == pytest.approx(stream.mean[0], abs=1e-9)


def test_decaying_sums_follow_their_unit_when_it_learns() -> None:
    # Reference: what is off the expected, summed anew with the coefficients learned since.
    options = Options(min_starts=10, min_active_days=1, min_days=1)
    stream, one = baseline.begin(np.zeros(1, dtype=np.int64), _prior(2)), np.array([0])
    n, m = np.zeros((1, 3)), np.zeros((1, 2))
    keep = 2.0 ** (-1.0 / options.slow_half_life_d)
    for day in range(5):
        x = np.column_stack([np.ones(20), RNG.normal(size=20)])
        sums = baseline.day_sums(np.zeros(20, dtype=np.int64), x, 1.0 + x[:, 1], np.full(20, 25.0), 0.0)
        baseline.add(stream, sums, options)
        n, m = keep * n + sums.n, keep * m + sums.m
        learned = baseline.learn(stream, day, np.zeros(1, dtype=np.int64), options)
        assert len(learned) == (day == 0)
        wanted = baseline.off_expected(n, m, stream.mean)[0] / np.sqrt(n[0, [0, 2]])
        got = compact.right(stream.slow, one)[0] / np.sqrt(compact.diagonal(stream.slow, one)[0])
        assert got == pytest.approx(wanted, abs=0.5)
    # Against some twenty standard errors by which the first day was off before anything was learned.
    assert np.abs(wanted).max() < 3.0


def test_the_weights_of_decaying_sums_follow_from_the_days() -> None:
    # Reference: the two geometric series, summed.
    stream = baseline.begin(np.zeros(3, dtype=np.int64), _prior(2))
    stream.lately_days[:] = [0, 1, 9]
    keep = 2.0 ** (-1.0 / DEFAULT.recent_half_life_d)
    weights = keep ** np.arange(9)
    wanted = [1.0, 1.0, np.sum(weights**2) / np.sum(weights)]
    assert baseline.decay(stream, "recent", np.arange(3), DEFAULT) == pytest.approx(wanted)


def test_quantities_that_are_told_together_are_solved_as_each_alone() -> None:
    # Reference: the same starts in streams of one quantity.
    unit, x, y, w = _rows(2, 40)
    both = np.column_stack([y, -0.5 * y + x[:, 1]])
    narrow, wide = _prior(3), _prior(3, unit_sd=2.0)
    together = baseline.begin(np.zeros(2, dtype=np.int64), narrow, wide)
    sums = baseline.day_sums(unit, x, both, w, 0.1)
    baseline.take_in(together, np.arange(2), sums.n, sums.m)
    for k, prior in enumerate((narrow, wide)):
        alone = baseline.begin(np.zeros(2, dtype=np.int64), prior)
        own = baseline.day_sums(unit, x, both[:, k], w, 0.1)
        baseline.take_in(alone, np.arange(2), own.n, own.m)
        assert np.array_equal(together.mean[:, 3 * k : 3 * k + 3], alone.mean)
        assert np.array_equal(together.level_var[:, k], alone.level_var[:, 0])
