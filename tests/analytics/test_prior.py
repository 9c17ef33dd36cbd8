from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from analytics import baseline, prior


def _stream(units: int, each: int, sd: float, seed: int) -> tuple[baseline.Stream, pd.DataFrame]:
    rng = np.random.default_rng(seed)
    unit = np.repeat(np.arange(units), each)
    x = np.column_stack([np.ones(len(unit)), rng.normal(size=len(unit))])
    b = np.array([1.5, -0.4]) + rng.normal(size=(units, 2)) * [0.3, 0.15]
    y = np.einsum("np,np->n", x, b[unit]) + rng.normal(0, sd, len(unit))
    before = baseline.prior_before_data(np.zeros(2), np.full(2, 10.0), np.array([0.3, 0.15]), 1)
    stream = baseline.begin(np.zeros(units, dtype=np.int64), before)
    sums = baseline.day_sums(unit, x, y, np.full(len(unit), sd**-2), 0.0)
    baseline.take_in(stream, np.arange(units), sums.n, sums.m)
    return stream, pd.DataFrame({"unit": unit, "x": x[:, 1], "y": y})


def test_the_fleets_prior_is_what_a_mixed_model_finds() -> None:
    stream, rows = _stream(150, 20, 0.25, 3)
    fitted = prior.fit(stream, rounds=60)
    # An independent reference: statsmodels' linear mixed model with random intercept and slope, by maximum likelihood.
    mixed = smf.mixedlm("y ~ x", rows, groups=rows["unit"], re_formula="~x").fit(reml=False)
    assert np.allclose(fitted.beta[0], mixed.fe_params, atol=0.005)
    # The spread is held to what it was before data by ten units' worth of 150.
    assert np.sqrt(np.diag(fitted.sigma)) == pytest.approx(np.sqrt(np.diag(mixed.cov_re)), rel=0.06)
    baseline.renew(stream, (fitted,))
    own = np.array([mixed.random_effects[u].to_numpy() for u in range(150)]) + mixed.fe_params.to_numpy()
    assert np.abs(stream.mean - own).max() < 0.02


def test_later_fits_go_on_from_the_last_and_end_where_many_rounds_end() -> None:
    stream, _ = _stream(150, 20, 0.25, 5)
    whole = prior.fit(stream, rounds=200)
    far = [np.abs(prior.fit(stream, rounds=prior.ROUNDS).sigma - whole.sigma).max()]
    for _ in range(20):
        baseline.renew(stream, (prior.fit(stream),))
        far.append(np.abs(stream.priors[0].sigma - whole.sigma).max())
    assert stream.priors[0].fitted
    assert far[1] < far[0]
    # Not quite: each begins with what the fleet's own coefficients leave unknown added to the spread.
    assert stream.priors[0].sigma == pytest.approx(whole.sigma, abs=0.003 * whole.sigma.max())


def test_without_units_that_have_learned_the_prior_stays() -> None:
    stream, _ = _stream(5, 10, 0.2, 4)
    stream.base_blocks[:] = 0
    assert prior.fit(stream) is stream.priors[0]


def test_one_unit_hardly_narrows_what_is_thought_of_the_others() -> None:
    stream, _ = _stream(1, 40, 0.2, 5)
    fitted = prior.fit(stream)
    assert np.sqrt(fitted.sigma[0, 0]) > 0.3


def test_of_a_large_fleet_some_units_teach_what_all_would(monkeypatch: pytest.MonkeyPatch) -> None:
    stream, _ = _stream(400, 20, 0.25, 6)
    whole = prior.fit(stream)
    monkeypatch.setattr(prior, "MOST", 150)
    some = prior.fit(stream)
    assert not np.array_equal(some.beta, whole.beta)
    # Within three standard errors of 133 units' means and spreads of 0.3 and 0.15.
    assert np.all(np.abs(some.beta[0] - whole.beta[0]) < 3 * np.array([0.3, 0.15]) / np.sqrt(133))
    assert np.diag(some.sigma) == pytest.approx(np.diag(whole.sigma), rel=3 * np.sqrt(2 / 133))
