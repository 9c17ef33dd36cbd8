from __future__ import annotations

import numpy as np
import pytest

from analytics.peers import _posterior, against_others, pool, spread

RATS = """0/20 0/20 0/20 0/20 0/20 0/20 0/20 0/19 0/19 0/19 0/19 0/18 0/18 0/17 1/20 1/20 1/20 1/20 1/19 1/19 1/18 1/18
2/25 2/24 2/23 2/20 2/20 2/20 2/20 2/20 2/20 1/10 5/49 2/19 5/46 3/27 2/17 7/49 7/47 3/20 3/20 2/13 9/48 10/50 4/20 4/20
4/20 4/20 4/20 4/20 4/20 10/48 4/19 4/19 4/19 5/22 11/46 12/49 5/20 5/20 6/23 5/19 6/22 6/20 6/20 6/20 16/52 15/47 15/46
9/24"""
"""Tumours among rats of 70 groups: Tarone (1982), Biometrics 38; Bayesian Data Analysis, 3rd ed., table 5.1."""
GROUPS = [(int(y), int(n)) for y, n in (pair.split("/") for pair in RATS.split())]


@pytest.mark.published
def test_two_shares_are_compared_as_fisher_compared_the_lady_s_cups() -> None:
    # Fisher (1935), chapter II: of 8 cups 4 are called right by 3 of 4; the chance of 3 or more right is 17/70, and
    # two-sided, since 1 or fewer is as unlikely, 34/70.
    (found, _) = against_others([(3, 4), (1, 4)], 4, 8)
    assert found.p == pytest.approx(34 / 70)
    assert found.others_share == 0.25
    assert found.stands_out is None


@pytest.mark.published
def test_among_many_cohorts_as_many_stand_out_as_the_false_discovery_rate_lets() -> None:
    # Benjamini & Hochberg (1995), section 3: of the ordered probabilities the last below its place's share of the rate,
    # and all before it. With 3 cohorts at a rate of 0.1: below 0.0333, 0.0667, 0.1.
    cohorts = [(30, 60), (12, 60), (18, 60)]
    found = against_others(cohorts, 60, 180)
    p = sorted(one.p or 1.0 for one in found)
    last = max((place for place, value in enumerate(p, 1) if value <= 0.1 * place / len(p)), default=0)
    assert sum(one.stands_out is not None for one in found) == last == 2
    assert [one.stands_out for one in found] == ["more", "fewer", None]


def test_equal_cohorts_seldom_stand_out() -> None:
    rng = np.random.default_rng(3)
    false = 0
    for _ in range(100):
        judged = rng.integers(5, 80, 12)
        flagged = rng.binomial(judged, 0.15)
        pairs = list(zip(flagged.tolist(), judged.tolist(), strict=True))
        false += any(one.stands_out for one in against_others(pairs, int(flagged.sum()), int(judged.sum())))
    # With nothing to find, any that stands out is false: at most a tenth of the rounds, and three standard deviations.
    assert false <= 10 + 9


def test_a_cohort_without_judged_units_or_without_peers_is_compared_with_nothing() -> None:
    alone, none = against_others([(3, 10), (0, 0)], 3, 10)
    assert (alone.others_share, alone.p, alone.stands_out) == (None, None, None)
    assert (none.others_share, none.p) == (0.3, None)


@pytest.mark.published
def test_a_share_is_pooled_with_its_like_as_in_the_rat_tumours_of_the_textbook() -> None:
    # Bayesian Data Analysis, 3rd ed., section 5.1: mean 0.136 and standard deviation 0.103 of the 70 shares give
    # alpha 1.4 and beta 8.6; with them 4 of 14 have the posterior mean 0.223 and the standard deviation 0.083.
    shares = np.array([y / n for y, n in GROUPS])
    assert (len(GROUPS), shares.mean(), shares.std()) == (70, pytest.approx(0.136, 5e-3), pytest.approx(0.103, 5e-3))
    found = _posterior(1.4 + 4, 8.6 + 10)
    assert found.share == pytest.approx(0.223, abs=2.5e-3)
    assert (found.high - found.low) / (2 * 1.645) == pytest.approx(0.083, abs=3e-3)
    # Section 5.3: the marginal posterior with the 71st group has its mode near (-1.75, 2.8).
    alpha, beta = spread([y for y, _ in GROUPS] + [4], [n for _, n in GROUPS] + [14])
    assert np.log(alpha / beta) == pytest.approx(-1.75, abs=0.1)
    assert np.log(alpha + beta) == pytest.approx(2.8, abs=0.1)


def test_few_units_are_drawn_to_their_peers_and_many_stay_where_they_are() -> None:
    few, many, *_ = pool([(2, 2), (200, 400), *[(10, 100)] * 8])
    assert few is not None
    assert many is not None
    assert few.share < 0.6
    assert many.share == pytest.approx(0.5, abs=0.02)
    assert few.high - few.low > 4 * (many.high - many.low)


@pytest.mark.parametrize("cohorts", [[(0, 40), (0, 3)], [(5, 5)], [(3, 10), (0, 0)], [(0, 1)]])
def test_a_pooled_share_lies_within_its_interval_however_little_is_known(cohorts: list[tuple[int, int]]) -> None:
    for found in pool(cohorts):
        assert found is not None
        assert 0 <= found.low <= found.share <= found.high <= 1


def test_without_a_judged_unit_nothing_is_pooled() -> None:
    assert pool([(0, 0), (0, 0)]) == [None, None]


def test_a_planted_bad_cohort_is_found_and_its_pooled_share_is_the_largest() -> None:
    rng = np.random.default_rng(8)
    judged = rng.integers(5, 60, 20)
    judged[7] = 60
    rate = np.full(20, 0.06)
    rate[7] = 0.30
    flagged = rng.binomial(judged, rate)
    pairs = list(zip(flagged.tolist(), judged.tolist(), strict=True))
    found = against_others(pairs, int(flagged.sum()), int(judged.sum()))
    assert [one.stands_out for one in found] == ["more" if k == 7 else None for k in range(20)]
    assert int(np.argmax([one.share if one else 0.0 for one in pool(pairs)])) == 7
