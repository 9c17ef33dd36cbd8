from __future__ import annotations

import numpy as np
import pytest

from analytics.peers import against_others


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
