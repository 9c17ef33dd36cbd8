"""How long things hold, against published examples, named beside each."""

from __future__ import annotations

import lifelines
import numpy as np
import pytest
from statsmodels.duration.survfunc import survdiff

from analytics.survival import holding, kaplan_meier, log_rank, median, weibull

# The trial of 6-mercaptopurine in acute leukaemia, Freireich et al., Blood 21 (1963), with Gehan (1965): weeks of
# remission; a plus is still in remission.
DRUG = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
DRUG_ENDED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


@pytest.mark.published
def test_the_leukaemia_trials_curve_and_its_errors() -> None:
    found = kaplan_meier(DRUG, DRUG_ENDED)
    assert found.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert found.share == pytest.approx([0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482], abs=5.1e-5)
    assert found.error == pytest.approx([0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], abs=5.1e-5)
    assert median(found) == 23
    assert median(kaplan_meier(PLACEBO, np.ones(21))) == 8


@pytest.mark.published
def test_the_leukaemia_trials_arms_do_not_hold_alike() -> None:
    statistic, p = log_rank(DRUG, DRUG_ENDED, PLACEBO, np.ones(21))
    assert statistic == pytest.approx(16.793, abs=5.1e-4)
    assert p == pytest.approx(4.17e-5, rel=2e-3)


@pytest.mark.published
def test_the_leukaemia_trials_weibull_law() -> None:
    found = weibull(DRUG, DRUG_ENDED)
    assert found.shape == pytest.approx(1.3537, abs=5.1e-5)
    assert found.scale == pytest.approx(33.765, abs=5.1e-4)
    assert found.log_likelihood == pytest.approx(-41.6587, abs=5.1e-5)


@pytest.mark.published
def test_the_nist_handbooks_weibull_law_with_ten_still_running_at_500_hours() -> None:
    # NIST/SEMATECH e-Handbook 8.4.1.3.
    hours = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10
    found = weibull(hours, [1] * 10 + [0] * 10)
    assert found.shape == pytest.approx(1.7208, abs=1.1e-4)
    assert found.scale == pytest.approx(606.528, abs=5e-3)
    assert found.log_likelihood == pytest.approx(-75.1346, abs=5.1e-5)


@pytest.mark.published
def test_the_nist_handbooks_twenty_units_of_which_some_are_taken_away() -> None:
    # NIST/SEMATECH e-Handbook, chapter 8, the product-limit estimate (from memory): removals at 50, 100, 125, 150 h.
    hours = [10, 32, 56, 98, 122, 181, 50, 100, 125, 150] + [200] * 10
    found = kaplan_meier(hours, [1] * 6 + [0] * 14)
    assert found.share == pytest.approx([0.950, 0.900, 0.847, 0.794, 0.737, 0.670], abs=5.1e-4)


def test_the_curve_its_interval_and_the_test_are_those_of_reference_libraries() -> None:
    rng = np.random.default_rng(8)
    time, ended = np.round(rng.weibull(0.8, 200) * 90) + 1, rng.random(200) < 0.6
    ours = kaplan_meier(time, ended, 0.90)
    theirs = lifelines.KaplanMeierFitter(alpha=0.10).fit(time, ended)
    assert ours.share == pytest.approx(theirs.predict(ours.time).to_numpy(), abs=1e-9)
    ends = theirs.confidence_interval_.loc[ours.time].to_numpy()
    inside = ours.share > 0
    assert ours.low[inside] == pytest.approx(ends[inside, 0], abs=1e-6)
    assert ours.high[inside] == pytest.approx(ends[inside, 1], abs=1e-6)
    statistic, p = log_rank(time[:80], ended[:80], time[80:], ended[80:])
    theirs_too = survdiff(time, ended.astype(int), np.arange(200) < 80)
    assert (statistic, p) == pytest.approx(tuple(float(v) for v in theirs_too), rel=1e-6)


def test_the_share_holding_is_read_off_the_curve_and_before_the_first_end_it_is_all() -> None:
    curve = kaplan_meier(DRUG, DRUG_ENDED)
    assert holding(curve, 5.9) == (1.0, None, None)
    value, low, high = holding(curve, 12)
    assert value == pytest.approx(0.7529, abs=5e-5)
    assert low is not None
    assert high is not None
    assert low < value < high
    assert holding(kaplan_meier(PLACEBO, np.ones(21)), 23)[2] is None
    assert median(kaplan_meier([5, 6, 7], [1, 0, 0])) is None


def test_weibulls_law_comes_back_from_draws_and_one_end_is_too_little_for_it() -> None:
    rng = np.random.default_rng(2)
    time = 120 * rng.weibull(0.7, 4000)
    found = weibull(np.minimum(time, 200), time < 200)
    assert found.shape == pytest.approx(0.7, rel=0.04)
    assert found.scale == pytest.approx(120, rel=0.06)
    with pytest.raises(ValueError, match="two different times"):
        weibull([5, 6, 7], [1, 0, 0])
