from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit
from sklearn.linear_model import LogisticRegression

from analytics import features, hazard


def test_the_mode_is_that_of_ridge_logistic_regression() -> None:
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(4000), rng.normal(size=(4000, 3))])
    y = (rng.random(4000) < 1 / (1 + np.exp(-(x @ [-2.0, 1.0, 0.0, -0.5])))).astype(float)
    weight = rng.uniform(0.5, 2.0, 4000)
    got = hazard.solve(x, y, weight, np.zeros(4), np.full(4, 0.7))
    # An independent reference: scikit-learn, whose penalty is |b|^2 / 2C.
    ridge = LogisticRegression(C=0.7**2, fit_intercept=False, tol=1e-10, max_iter=1000).fit(x, y, sample_weight=weight)
    assert got == pytest.approx(ridge.coef_[0], abs=1e-4)


def _starts(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return features and expected ln run-up of starts under the same conditions."""
    rng = np.random.default_rng(seed)
    x = np.zeros((n, features.WIDTH))
    x[:, 0] = 1.0
    level = rng.normal(-1.4, 0.45, n)
    return x, level


def test_locking_by_hardness_and_by_chance_are_told_apart() -> None:
    rng = np.random.default_rng(4)
    x, level = _starts(300_000, 3)
    p = 1 / (1 + np.exp(-(-1.0 + 6.0 * level))) + 5e-4
    locked = rng.random(len(p)) < p
    model = hazard.begin()
    for part in np.array_split(np.arange(len(p)), 30):
        hazard.take(model, level[part], x[part], locked[part], part.astype(np.int64), np.ones(len(part), dtype=bool))
    hazard.fit(model, rounds=40)
    assert model.chance == pytest.approx(5e-4, rel=0.35)
    at = np.array([-1.4, -0.9, -0.5])
    got, _ = hazard.before_and_now(model, at, np.zeros(3), np.eye(1, features.WIDTH).repeat(3, axis=0))
    assert got == pytest.approx(1 / (1 + np.exp(-(-1.0 + 6.0 * at))) + 5e-4, rel=0.35)


def test_each_start_has_its_chance_by_the_baseline_and_as_it_is_now() -> None:
    # Reference: scipy's logistic function of the regression's rows.
    rng = np.random.default_rng(8)
    model = hazard.begin()
    model.coefficients = rng.normal(size=hazard.WIDTH)
    level, moved, x = rng.normal(-1.2, 0.5, 50), rng.normal(0, 0.3, 50), rng.normal(size=(50, features.WIDTH))
    before, now = hazard.before_and_now(model, level, moved, x)
    for got, at in ((before, level), (now, level + moved)):
        hard = expit(hazard.design(at, x) @ model.coefficients)
        assert got == pytest.approx(np.minimum(hard + model.chance, hazard.LARGEST))


def test_the_sample_stays_bounded_and_stands_for_all_starts() -> None:
    x, level = _starts(40_000, 5)
    model = hazard.begin()
    for k in range(40):
        rows = np.arange(40_000) + 40_000 * k
        hazard.take(model, level, x, np.zeros(40_000, dtype=bool), rows.astype(np.int64), np.ones(40_000, dtype=bool))
    hazard.fit(model)
    assert len(model.y) <= hazard.KEEP
    assert not model.new
    assert model.weight.sum() == pytest.approx(40 * 40_000, rel=0.02)


def test_under_several_weathers_it_is_what_single_starts_have() -> None:
    rng = np.random.default_rng(6)
    model = hazard.begin()
    model.coefficients = rng.normal(size=hazard.WIDTH)
    still = rng.normal(size=(2, 3, features.WIDTH))
    level, lifted, cold, soak = (rng.normal(size=(2, 3, 4)) for _ in range(4))
    got = hazard.under_weather(model, level, still, lifted, cold, soak)
    for index in np.ndindex(2, 3, 4):
        x = still[index[:2]].copy()[None]
        x[0, features.COLD], x[0, features.SOAK] = cold[index], soak[index]
        x[0, [features.REST, features.REST_SLOW]] *= lifted[index]
        assert got[index] == pytest.approx(hazard.by_hardness(model, hazard.design(level[index][None], x))[0])


def test_harder_starts_lock_more_before_any_data() -> None:
    model = hazard.begin()
    x = np.eye(1, features.WIDTH).repeat(4, axis=0)
    p, _ = hazard.before_and_now(model, np.log([0.1, 0.2, 0.4, 0.8]), np.zeros(4), x)
    assert (np.diff(p) > 0).all()
