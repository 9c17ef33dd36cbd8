from __future__ import annotations

import numpy as np
import pytest

from analytics.holding import cohorts, kinds


def drawn(rng: np.random.Generator, count: int, scale_d: float, shape: float) -> tuple[np.ndarray, np.ndarray]:
    life, watched = scale_d * rng.weibull(shape, count), rng.uniform(30.0, 700.0, count)
    return np.minimum(life, watched), life <= watched


def test_work_that_fails_early_is_told_from_work_that_wears_out() -> None:
    rng = np.random.default_rng(4)
    soon, with_age = drawn(rng, 300, 200.0, 0.6), drawn(rng, 300, 600.0, 2.5)
    days, ended = (np.concatenate(pair) for pair in zip(soon, with_age, strict=True))
    found = {kind.work: kind for kind in kinds(["run_capacitor"] * 300 + ["compressor"] * 300, days, ended)}
    early, late = found["run_capacitor"], found["compressor"]
    assert early.weibull_shape == pytest.approx(0.6, rel=0.15)
    assert late.weibull_shape == pytest.approx(2.5, rel=0.15)
    # Weibull's own share after 90 days lies in the interval.
    for kind, scale_d, shape in ((early, 200.0, 0.6), (late, 600.0, 2.5)):
        assert kind.held_90d.low is not None
        assert kind.held_90d.high is not None
        assert kind.held_90d.low < np.exp(-((90.0 / scale_d) ** shape)) < kind.held_90d.high
    assert (early.stands_out, late.stands_out) == ("more", "fewer")
    assert early.p is not None
    assert early.p < 1e-6


def test_two_kinds_that_hold_alike_do_not_stand_out() -> None:
    rng = np.random.default_rng(5)
    outside = significant = 0
    for _ in range(60):
        days, ended = drawn(rng, 240, 400.0, 1.0)
        found = kinds(["run_capacitor"] * 120 + ["refrigerant"] * 120, days, ended)
        outside += any(kind.stands_out is not None for kind in found)
        significant += found[0].p is not None and found[0].p < 0.05
    assert outside <= 3
    assert significant <= 8


def test_few_ends_give_counts_and_no_law() -> None:
    (one,) = kinds(["run_capacitor"] * 3, np.array([10.0, 200.0, 40.0]), np.array([True, False, False]))
    assert (one.visits, one.ended, one.early, one.early_of) == (3, 1, 1, 2)
    assert one.weibull_shape is None
    assert one.p is None
    assert one.stands_out is None
    assert one.held_90d.value == pytest.approx(2 / 3)
    assert one.held_365d.value is None  # none was watched that long
    assert kinds([], np.zeros(0), np.zeros(0, dtype=bool)) == []


def test_work_of_which_none_has_ended_still_has_an_interval() -> None:
    (one,) = kinds(["compressor"] * 50, np.full(50, 120.0), np.zeros(50, dtype=bool))
    assert one.held_90d.value == 1.0
    assert one.held_90d.high == 1.0
    # pinned: one-sided 95 % upper limit of none of 50 (rule of three: 0.06)
    assert one.held_90d.low == pytest.approx(1 - 0.05816, abs=5.1e-6)


def test_a_cohort_that_locks_out_far_more_stands_out_and_the_others_do_not() -> None:
    rows = [
        ("all", None, 300, 36, 280.0),
        ("model", "model 1", 100, 26, 90.0),
        ("model", "model 2", 100, 5, 95.0),
        ("model", "model 3", 100, 5, 95.0),
        ("metering", None, 300, 36, 280.0),
    ]
    found = {(one.by, one.value): one for one in cohorts(rows)}
    worst = found["model", "model 1"]
    assert worst.stands_out == "more"
    assert worst.ratio.value == pytest.approx((26 / 90) / (10 / 190))
    assert worst.per_100_years.low is not None
    assert worst.per_100_years.low < 100 * 26 / 90
    assert found["all", None].ratio.value is None
    assert found["metering", None].p is None  # nobody is left to compare with


def test_equal_cohorts_stand_out_no_more_often_than_the_false_discovery_rate() -> None:
    rng = np.random.default_rng(6)
    false = 0
    for _ in range(100):
        counts = rng.poisson(8.0, 6)
        rows = [("all", None, 600, int(counts.sum()), 570.0)]
        rows += [("model", f"model {k}", 100, int(n), 95.0) for k, n in enumerate(counts)]
        false += any(one.stands_out for one in cohorts(rows))
    assert false <= 14


def test_nothing_locked_out_is_a_rate_with_an_upper_end() -> None:
    (one,) = cohorts([("all", None, 10, 0, 9.0)])
    assert one.per_100_years.value == 0.0
    # published: 95 % one-sided upper limit of a Poisson mean for no events is 2.996 (Garwood, 1936)
    assert one.per_100_years.high == pytest.approx(100 * 2.996 / 9.0, rel=1e-3)
