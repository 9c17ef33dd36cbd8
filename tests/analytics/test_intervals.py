"""Intervals against published examples; each is named, and what was only computed once is pinned."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binom, norm

from analytics.intervals import count, rate_ratio, share

# Newcombe, Statistics in Medicine 17 (1998), table I: 95 % intervals by Wilson's method and by Clopper and Pearson.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]
# Computed once with another library.
COMPUTED = [
    (0, 10, (0.0, 0.2775), (0.0, 0.3085)),
    (1, 10, (0.0179, 0.4042), (0.0025, 0.4450)),
    (5, 10, (0.2366, 0.7634), (0.1871, 0.8129)),
    (2, 50, (0.0110, 0.1346), (0.0049, 0.1371)),
    (10, 100, (0.0552, 0.1744), (0.0490, 0.1762)),
]
JEFFREYS = [
    (81, 263, 0.2545, 0.3656),
    (15, 148, 0.0604, 0.1576),
    (0, 20, 0.0, 0.1166),
    (1, 29, 0.0037, 0.1501),
    (0, 10, 0.0, 0.2172),
    (1, 10, 0.0110, 0.3813),
    (5, 10, 0.2235, 0.7765),
    (2, 50, 0.0084, 0.1222),
    (10, 100, 0.0526, 0.1701),
]


@pytest.mark.published
@pytest.mark.parametrize(("x", "n", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_shares_are_newcombes(
    x: int, n: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    assert share(x, n, 0.95) == pytest.approx(wilson, abs=5.1e-5)
    assert share(x, n, 0.95, "exact") == pytest.approx(exact, abs=5.1e-5)


@pytest.mark.pinned
@pytest.mark.parametrize(("x", "n", "wilson", "exact"), COMPUTED)
def test_intervals_of_more_shares(x: int, n: int, wilson: tuple[float, float], exact: tuple[float, float]) -> None:
    assert share(x, n, 0.95) == pytest.approx(wilson, abs=5.1e-5)
    assert share(x, n, 0.95, "exact") == pytest.approx(exact, abs=5.1e-5)


@pytest.mark.pinned
@pytest.mark.parametrize(("x", "n", "low", "high"), JEFFREYS)
def test_intervals_by_the_half_event_prior(x: int, n: int, low: float, high: float) -> None:
    assert share(x, n, 0.95, "jeffreys") == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.published
def test_the_nist_handbooks_share_of_defective_fuses() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, one-sided 95 % lower limit 0.09577; z of 0.10 is 1.414 (7.2.4).
    assert float(share(26, 200, 0.90).low) == pytest.approx(0.09577, abs=5.1e-6)
    z = (26 / 200 - 0.10) / math.sqrt(0.10 * 0.90 / 200)
    assert z == pytest.approx(1.414, abs=5e-4)
    # Wilson's lower end is the share against which that z is just the limit.
    low = float(share(26, 200, 2 * norm.cdf(z) - 1).low)
    assert low == pytest.approx(0.10, abs=1e-9)


@pytest.mark.published
def test_the_nist_handbooks_exact_interval() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20 at 90 %, 0.071354 and 0.401029.
    assert share(4, 20, 0.90, "exact") == pytest.approx((0.071354, 0.401029), abs=1.5e-6)


@pytest.mark.pinned
def test_the_same_share_by_the_other_methods() -> None:
    assert share(4, 20, 0.90) == pytest.approx((0.0931, 0.3784), abs=5.1e-5)
    assert share(4, 20, 0.90, "jeffreys") == pytest.approx((0.0873, 0.3727), abs=5.1e-5)
    # One-sided 95 % for none of 50 (rule of three: 0.06).
    assert float(share(0, 50, 0.90, "exact").high) == pytest.approx(0.05816, abs=5.1e-6)


@pytest.mark.pinned
def test_the_exact_end_is_where_the_tail_has_just_its_probability() -> None:
    # P(X >= 26) of 200 at 0.10 is 0.10046, so the exact end of that one-sided level is 0.10.
    tail = float(binom.sf(25, 200, 0.10))
    assert tail == pytest.approx(0.10046, abs=5.1e-6)
    assert float(share(26, 200, 1 - 2 * tail, "exact").low) == pytest.approx(0.10, abs=1e-9)


@pytest.mark.published
@pytest.mark.parametrize(
    ("events", "low", "high"),
    # Garwood (1936), 95 % limits of a Poisson mean, as every table has them (from memory).
    [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
    ],
)
def test_exact_limits_of_a_poisson_count(events: int, low: float, high: float) -> None:
    assert count(events, 0.95) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.published
def test_a_poisson_rate_of_the_r_references_example() -> None:
    # R, help page of poisson.test: 137 events in 24.19893 (thousand person-years).
    low, high = count(137, 0.95)
    rates = np.array([low, 137, high]) / 24.19893
    assert rates == pytest.approx([4.753125, 5.661407, 6.692709], abs=1e-6)


@pytest.mark.published
def test_a_ratio_of_rates_of_the_r_references_example() -> None:
    # R, help page of poisson.test: 11 events in 800 against 21 in 3011.
    found = rate_ratio(11, 800.0, 21, 3011.0, 0.95)
    assert found.ratio == pytest.approx(1.971488, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((0.858426, 4.277266), abs=2e-6)
    assert found.p == pytest.approx(0.07967, abs=5e-6)


@pytest.mark.published
def test_a_ratio_of_rates_of_heart_disease_and_hormones() -> None:
    # Data of Gu, Ng, Tang, Schucany, Biometrical Journal 50 (2008): 60 in 51,477.5 against 30 in 54,308.7 woman-years.
    found = rate_ratio(60, 51_477.5, 30, 54_308.7, 0.95)
    assert found.ratio == pytest.approx(2.11, abs=5e-4)
    # pinned: the exact probability and the score interval were computed once; ours is exact, so a little wider.
    assert found.p == pytest.approx(0.000675, abs=5e-7)
    assert found.low == pytest.approx(1.366, abs=0.03)
    assert found.low < 1.366
    assert found.high > 3.259


def test_the_exact_interval_covers_at_least_as_often_as_it_says() -> None:
    x = np.arange(41)
    for p in (0.02, 0.1, 0.35, 0.5):
        low, high = share(x, 40, 0.90, "exact")
        assert binom.pmf(x, 40, p)[(low <= p) & (p <= high)].sum() >= 0.90
        low, high = share(x, 40, 0.90)
        assert binom.pmf(x, 40, p)[(low <= p) & (p <= high)].sum() == pytest.approx(0.90, abs=0.09)


def test_ends_of_none_and_of_all_are_0_and_1_and_arrays_are_served() -> None:
    for method in ("wilson", "exact", "jeffreys"):
        low, high = share([0, 7], [7, 7], 0.90, method)  # type: ignore[arg-type]
        assert (low[0], high[1]) == (0.0, 1.0)
        assert 0 < high[0] < 1
        assert 0 < low[1] < 1


def test_a_rate_against_one_where_nothing_happened() -> None:
    found = rate_ratio(3, 10.0, 0, 10.0)
    assert found.ratio == math.inf
    assert found.high == math.inf
    assert found.low > 0
    with pytest.raises(ValueError, match="nothing was counted"):
        rate_ratio(0, 1.0, 0, 1.0)
