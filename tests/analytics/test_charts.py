"""Control charts against published examples and tables; every value is marked with where it is from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.charts import arl_cusum, arl_ewma, cusum, cusum_limit, ewma, ewma_limit, moving_range_sd, share_limits

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
EWMA_X = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
CUSUM_X = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip


@pytest.mark.published
def test_the_ewma_is_that_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4: data, averages to two digits, limits.
    z, upper, lower = ewma(EWMA_X, 0.3, 50.0, 2.0539, 3.0)
    expected = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    assert z == pytest.approx(expected, abs=0.006)
    assert upper == pytest.approx(52.5884, abs=1e-4)
    assert lower == pytest.approx(47.4115, abs=2e-4)
    assert not ((z > upper) | (z < lower)).any()


@pytest.mark.pinned
def test_the_ewmas_first_limits_are_narrower() -> None:
    # By the same section's formula for early limits, computed once with numpy.
    _, upper, _ = ewma(EWMA_X, 0.3, 50.0, 2.0539, 3.0, settled=False)
    assert upper[:3] == pytest.approx([51.8485, 52.2564, 52.4314], abs=1e-4)


@pytest.mark.published
def test_the_cusum_is_that_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.3: k = 0.3175, decision interval 4.1959, first signal at the 14th value.
    high, low = cusum(CUSUM_X, 325.0, 0.3175)
    assert high[:12] == pytest.approx([0, 0, 0, 0, 0.033, 0, 0, 0, 0, 0, 0, 0], abs=6e-4)
    assert high[12:] == pytest.approx([3.007, 4.940, 7.447, 10.630, 11.988, 14.445, 16.002, 19.035], abs=2e-3)
    expected_low = {1: 0.007, 3: 0.332, 6: 0.558, 7: 0.715, 8: 0.173, 9: 0.255, 10: 0.312}
    assert low == pytest.approx([expected_low.get(i, 0.0) for i in range(20)], abs=1.5e-3)
    assert int(np.argmax(high > 4.1959)) == 13
    assert np.sum(np.array(CUSUM_X) - 325.0) == pytest.approx(19.075, abs=1e-9)


@pytest.mark.published
def test_the_individuals_chart_is_that_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159.
    x = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    sd = float(moving_range_sd(x))
    assert sd * 1.128 == pytest.approx(1.8778, abs=1e-4)
    assert x.mean() + 3 * sd == pytest.approx(55.8041, abs=1e-3)
    assert x.mean() - 3 * sd == pytest.approx(45.8159, abs=1e-3)


@pytest.mark.published
def test_the_chart_of_proportions_is_that_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2: 30 samples of 50; limits 0.4102 and 0.0524; 15 and 23 are out.
    share = np.array([
        24, 30, 16, 20, 8, 14, 32, 18, 28, 20, 10, 12, 34, 24, 44,
        16, 20, 10, 26, 22, 40, 36, 48, 30, 18, 24, 14, 26, 18, 12,
    ]) / 100  # fmt: skip
    assert share.mean() == pytest.approx(0.2313, abs=1e-4)
    lower, upper = share_limits(float(share.mean()), 50)
    assert float(upper) == pytest.approx(0.4102, abs=1e-4)
    assert float(lower) == pytest.approx(0.0524, abs=1e-4)
    assert (np.flatnonzero((share > upper) | (share < lower)) + 1).tolist() == [15, 23]


def test_a_missing_value_leaves_each_chart_where_it_was() -> None:
    with_gap = np.insert(np.array(CUSUM_X), 5, np.nan)
    whole, gapped = cusum(CUSUM_X, 325.0, 0.3175)[0], cusum(with_gap, 325.0, 0.3175)[0]
    assert np.delete(gapped, 5) == pytest.approx(whole)
    z, upper, _ = ewma(np.insert(np.array(EWMA_X), 5, np.nan), 0.3, 50.0, 2.0539, 3.0, settled=False)
    z2, upper2, _ = ewma(EWMA_X, 0.3, 50.0, 2.0539, 3.0, settled=False)
    assert np.delete(z, 5) == pytest.approx(z2)
    assert np.delete(upper, 5) == pytest.approx(upper2)
    assert np.isnan(moving_range_sd([1.0]))


def test_many_units_run_at_once_each_with_its_own_target() -> None:
    x = np.vstack([CUSUM_X, np.array(CUSUM_X) + 10.0])
    high, low = cusum(x, np.array([325.0, 335.0]), 0.3175)
    assert high[0] == pytest.approx(high[1])
    assert low[0] == pytest.approx(low[1])
    z, upper, lower = ewma(np.vstack([EWMA_X, EWMA_X]), 0.3, np.array([50.0, 50.0]), np.array([2.0539, 1.0]), 3.0)
    assert z[0] == pytest.approx(z[1])
    assert (upper - lower)[0] == pytest.approx(2.0539 * (upper - lower)[1])


@pytest.mark.published
@pytest.mark.parametrize(
    ("h", "start", "lengths"),
    [
        # Montgomery, Introduction to Statistical Quality Control, table of CUSUM run lengths, k = 0.5 (from memory).
        (4.0, 0.0, (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71)),
        (5.0, 0.0, (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01)),
        # Lucas & Crosier (1982), head start of half the decision interval (from memory).
        (4.0, 2.0, (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.33, 1.07)),
    ],
)
def test_the_cusums_run_lengths_are_those_of_the_tables(h: float, start: float, lengths: tuple[float, ...]) -> None:
    for shift, published in zip(SHIFTS, lengths, strict=True):
        # Half a unit of the last printed digit, and a little for tables made by Markov chains.
        tolerance = 0.6 * 10.0 ** -_digits(published)
        assert arl_cusum(shift, 0.5, h, start=start) == pytest.approx(published, abs=tolerance), shift


@pytest.mark.pinned
def test_the_cusums_run_lengths_to_more_digits() -> None:
    # Computed once by an independent integral equation with another rule of quadrature.
    assert arl_cusum(0.0, 0.5, 4.0) == pytest.approx(167.68, abs=0.01)
    assert arl_cusum(0.0, 0.5, 5.0) == pytest.approx(465.44, abs=0.01)
    assert arl_cusum(0.25, 0.5, 5.0) == pytest.approx(139.49, abs=0.01)
    assert arl_cusum(0.0, 0.5, 4.0, two_sided=False) == pytest.approx(335.37, abs=0.01)
    assert arl_cusum(0.0, 0.5, 5.0, two_sided=False) == pytest.approx(930.89, abs=0.01)
    heads = (430.4, 121.7, 28.7, 11.24, 6.35, 3.37, 2.36, 1.86, 1.54, 1.16)
    for shift, length in zip(SHIFTS, heads, strict=True):
        assert arl_cusum(shift, 0.5, 5.0, start=2.5) == pytest.approx(length, abs=0.6 * 10.0 ** -_digits(length))
    assert cusum_limit(370.1, 0.5) == pytest.approx(4.774, abs=0.001)
    assert cusum_limit(370.3, 0.25) == pytest.approx(8.01, abs=0.003)


@pytest.mark.published
@pytest.mark.parametrize(
    ("shift", "h", "two_sided", "approximate"),
    [(0.0, 5.0, False, 938.2), (0.0, 5.0, True, 469.1), (1.0, 5.0, True, 10.34)],
)
def test_siegmunds_formula_comes_close(shift: float, h: float, two_sided: bool, approximate: float) -> None:
    # Siegmund (1985), (exp(-2Db) + 2Db - 1) / 2D^2 with D = shift - k and b = h + 1.166: an approximation of ours.
    def one(signed: float) -> float:
        d, b = signed - 0.5, h + 1.166
        return (math.exp(-2 * d * b) + 2 * d * b - 1) / (2 * d * d)

    told = one(shift) if not two_sided else 1 / (1 / one(shift) + 1 / one(-shift))
    assert told == pytest.approx(approximate, rel=1e-3)
    assert arl_cusum(shift, 0.5, h, two_sided=two_sided) == pytest.approx(approximate, rel=0.01)


@pytest.mark.published
@pytest.mark.parametrize(
    ("lam", "limit", "lengths"),
    [
        # Lucas & Saccucci (1990), run lengths of EWMA schemes (from memory).
        (0.40, 3.054, (500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4)),
        (0.25, 2.998, (500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7)),
        (0.20, 2.962, (500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9)),
        (0.10, 2.814, (500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2)),
        (0.05, 2.615, (500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7)),
    ],
)
def test_the_ewmas_run_lengths_are_those_of_the_table(lam: float, limit: float, lengths: tuple[float, ...]) -> None:
    for shift, published in zip(SHIFTS, lengths, strict=True):
        # One unit of the last printed digit: a few of the printed ones differ by that from the integral equation.
        tolerance = max(0.0015 * published, 1.1 * 10.0 ** -_digits(published))
        assert arl_ewma(shift, lam, limit) == pytest.approx(published, abs=tolerance), shift


@pytest.mark.pinned
def test_two_more_ewmas_that_run_370_values() -> None:
    rows = {
        (0.20, 2.86): (371.1, 121.2, 36.2, 16.5, 9.8, 5.2, 3.6, 2.8, 2.3, 1.8),
        (0.10, 2.70): (369.0, 89.1, 28.2, 14.7, 9.7, 5.8, 4.2, 3.3, 2.8, 2.1),
    }
    for (lam, limit), lengths in rows.items():
        for shift, length in zip(SHIFTS, lengths, strict=True):
            assert arl_ewma(shift, lam, limit) == pytest.approx(length, abs=0.06), (lam, shift)


@pytest.mark.published
def test_the_limit_for_a_run_length_of_500_is_that_of_the_table() -> None:
    # Lucas & Saccucci (1990), as above.
    for lam, limit in ((0.40, 3.054), (0.25, 2.998), (0.20, 2.962), (0.10, 2.814), (0.05, 2.615)):
        assert ewma_limit(500.0, lam) == pytest.approx(limit, abs=1.1e-3)


@pytest.mark.published
def test_the_plain_charts_run_lengths() -> None:
    # The normal distribution's own: 370.4 is in every text; the others computed from its tables.
    for shift, length in {0.0: 370.4, 0.5: 155.2, 1.0: 43.9, 2.0: 6.30, 3.0: 2.00}.items():
        assert arl_ewma(shift, 1.0, 3.0) == pytest.approx(length, abs=0.6 * 10.0 ** -_digits(length))


def test_run_lengths_agree_with_runs() -> None:
    rng = np.random.default_rng(5)
    x = rng.normal(1.0, 1.0, (4000, 120))
    high, low = cusum(x, 0.0, 0.5)
    signal = (high > 4.0) | (low > 4.0)
    assert signal.any(axis=1).all()
    lengths = signal.argmax(axis=1) + 1
    assert lengths.mean() == pytest.approx(arl_cusum(1.0, 0.5, 4.0), abs=4 * lengths.std() / math.sqrt(4000))
    z, upper, _ = ewma(x, 0.2, 0.0, 1.0, 2.962)
    lengths = (z > upper).argmax(axis=1) + 1
    assert lengths.mean() == pytest.approx(arl_ewma(1.0, 0.2, 2.962), abs=4 * lengths.std() / math.sqrt(4000))


def _digits(value: float) -> int:
    """Return how many decimals a table of three significant digits prints."""
    if value >= 100 and value == round(value):
        return 0
    text = f"{value:g}"
    return len(text.partition(".")[2]) or (1 if value < 100 else 0)
