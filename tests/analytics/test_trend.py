"""Trend tests against published examples, named beside each."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.trend import mann_kendall, theil_sen


@pytest.mark.published
def test_gilberts_four_values() -> None:
    # Gilbert (1987), chapter 16: 10, 15, 14, 20 have S = 4; upper tail for n = 4 is 0.167 in its table A18.
    found = mann_kendall([10, 15, 14, 20])
    assert found.s == 4
    assert found.p / 2 == pytest.approx(0.1667, abs=5e-5)


@pytest.mark.pinned
@pytest.mark.parametrize(
    ("series", "s", "tail"),
    # Exact upper tails by enumeration, each of a series that has that S.
    [
        ([1, 2, 3, 4], 6, 0.0417),
        ([1, 2, 4, 3, 5], 8, 0.0417),
        ([1, 2, 3, 4, 5], 10, 0.0083),
        ([2, 1, 4, 3, 5, 6], 11, 0.0278),
        ([3, 1, 2, 4, 6, 5, 7], 15, 0.0151),
    ],
)
def test_exact_tails_of_short_series(series: list[int], s: int, tail: float) -> None:
    found = mann_kendall(series)
    assert found.s == s
    assert found.p / 2 == pytest.approx(tail, abs=5.1e-5)


@pytest.mark.published
def test_helsel_and_hirschs_seven_points_with_one_outlier() -> None:
    # Helsel & Hirsch, Statistical Methods in Water Resources, chapters 8 and 10 (from memory): slope 1, S = 19.
    y = [1, 2, 3, 4, 5, 16, 7]
    found = mann_kendall(y)
    assert found.s == 19
    assert found.tau == pytest.approx(0.9048, abs=5.1e-5)
    assert found.p == pytest.approx(0.00278, abs=5.1e-6)
    assert found.z == pytest.approx(2.7034, abs=5.1e-5)
    assert found.p_normal == pytest.approx(0.00686, abs=5.1e-6)
    assert theil_sen(range(1, 8), y).slope == pytest.approx(1.0)
    assert np.polyfit(range(1, 8), y, 1)[0] == pytest.approx(1.714, abs=5e-4)


@pytest.mark.published
def test_sens_own_example() -> None:
    # Sen, JASA 63 (1968): median of 21 slopes 4.
    found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], 0.95)
    assert found.slope == pytest.approx(4.0)
    # pinned: the ends as computed once.
    assert (found.low, found.high) == pytest.approx((3.714, 4.375), abs=5.1e-4)


def test_the_normal_deviate_of_a_long_series_is_that_of_its_permutations() -> None:
    rng = np.random.default_rng(3)
    y = np.round(rng.normal(size=30), 1)  # with ties
    z = np.array([mann_kendall(rng.permutation(y)).z for _ in range(2000)])
    assert z.mean() == pytest.approx(0.0, abs=0.1)
    assert z.std() == pytest.approx(1.0, abs=0.06)


def test_a_series_that_stays_has_no_trend_and_missing_values_are_passed_over() -> None:
    assert mann_kendall([2, 2, 2, 2, 2]).p == 1.0
    assert mann_kendall([1, np.nan, 2, 3, np.nan, 4]) == mann_kendall([1, 2, 3, 4])
    assert theil_sen([0, 1, 2, 3], [0, np.nan, 2, 3]).slope == pytest.approx(1.0)
