from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from analytics import baseline, cause, channels, drift, features, joint
from analytics.options import DEFAULT

P = features.WIDTH
SD = 0.1


def _conditions(n: int, rng: np.random.Generator) -> np.ndarray:
    return features.conditions(
        rng.uniform(200, 7200, n), rng.uniform(-15, 15, n), rng.normal(240, 3, n), np.full(n, np.nan)
    )


def _judge(state: drift.Drift, stream: baseline.Stream, sums: baseline.DaySums, day: int) -> None:
    """Test and weigh a day on start times alone."""
    units, usable = len(state.alarm), stream.base_blocks > 0
    plain = np.zeros(units, dtype=np.int64)
    drift.follow(state, stream, sums, day, usable, DEFAULT)
    shares = cause.log_shares(plain, plain)
    nats = joint.weigh(state, stream, channels.begin(units), shares, np.zeros(units), usable, DEFAULT)
    drift.judge(state, nats, sums.unit, day, usable, DEFAULT)


def _fleet(
    units: int, days: int, seed: int, excess: float = 0.0, begins: int = 10**6, learn_days: int = 28
) -> tuple[baseline.Stream, drift.Drift, np.ndarray]:
    """Units of the model's own form, wander and all: what is tested is that the arithmetic says what it claims."""
    rng = np.random.default_rng(seed)
    sigma = np.diag(np.full(P, 0.1) ** 2)
    beta = np.zeros((1, P))
    beta[0, 0] = np.log(0.2)
    prior = baseline.Prior(beta, sigma, beta[0], np.eye(P) * 1e-6, sigma)
    stream = baseline.begin(np.zeros(units, dtype=np.int64), prior)
    truth = beta[0] + rng.normal(0, 0.1, (units, P))
    state = drift.begin(units)
    unit = np.repeat(np.arange(units), 12)
    since = np.zeros(units, dtype=np.int64)
    alarms = np.full(units, -1)
    wander = np.zeros(units)
    for day in range(days):
        x = _conditions(len(unit), rng)
        wander = 0.9 * wander + rng.normal(0, DEFAULT.wander_sd * np.sqrt(1 - 0.9**2), units)
        shift = (wander + rng.normal(0, DEFAULT.day_sd, units))[unit] + (excess if day >= begins else 0.0)
        y = np.einsum("np,np->n", x, truth[unit]) + shift + rng.normal(0, SD, len(unit))
        sums = baseline.day_sums(unit, x, y, np.full(len(unit), SD**-2), DEFAULT.day_sd**2)
        baseline.add(stream, sums, DEFAULT)
        if day < learn_days:
            baseline.learn(stream, day, since, DEFAULT)
        _judge(state, stream, sums, day)
        alarms = np.where((alarms < 0) & state.alarm, day, alarms)
    return stream, state, alarms


def test_z_of_healthy_units_is_standard_normal() -> None:
    _, state, _ = _fleet(400, 45, 1)
    assert 0.85 < state.z[:, 0].std() < 1.1
    assert abs(state.z[:, 0].mean()) < 0.15


def test_the_interval_covers_a_true_drift_as_often_as_it_says() -> None:
    stream, state, _ = _fleet(400, 45, 2, excess=0.2, begins=30)
    got = drift.effect(state, stream, stream.base_blocks > 0, DEFAULT)
    truth = np.expm1(0.2)
    covered = np.mean((got.low <= truth) & (truth <= got.high))
    # 90 % stated; what the fleet is thought to be too small to show widens it a little.
    assert 0.87 <= covered <= 0.97
    assert np.median(got.drift) == pytest.approx(truth, rel=0.05)
    assert np.median(got.now_s / got.expected_s) == pytest.approx(np.exp(0.2), rel=0.05)


def test_a_drift_raises_an_alarm_dated_near_its_onset_and_healthy_units_raise_none() -> None:
    _, _, early = _fleet(200, 60, 3)
    assert (early < 0).all()
    _, state, alarms = _fleet(200, 60, 4, excess=0.3, begins=40)
    assert np.mean(alarms >= 40) > 0.97
    assert np.median(alarms[alarms >= 0]) <= 44
    assert abs(np.median(state.since_day[state.alarm]) - 40) <= 2


def test_an_alarm_stays_until_the_unit_is_steady_again() -> None:
    stream, state, _ = _fleet(30, 45, 5, excess=0.4, begins=35)
    assert state.alarm.all()
    rng = np.random.default_rng(9)
    unit = np.repeat(np.arange(30), 12)
    calm, before = [], drift.restless(drift.begin(1))[0]
    strays = np.full(30, before)
    for day in range(45, 85):
        x = _conditions(len(unit), rng)
        y = np.einsum("np,np->n", x, stream.mean[unit]) + rng.normal(0, SD, len(unit))
        sums = baseline.day_sums(unit, x, y, np.full(len(unit), SD**-2), DEFAULT.day_sd**2)
        baseline.add(stream, sums, DEFAULT)
        _judge(state, stream, sums, day)
        calm.append(state.alarm.mean())
        strays = np.maximum(strays, drift.restless(state))
    assert calm[3] > 0.9
    assert calm[-1] < 0.1
    # What goes without any work strays by itself; a visit that takes an alarm back says nothing of the kind.
    assert np.all(strays[~state.alarm] > 3 * before)
    visited = drift.begin(1)
    visited.alarm[:] = True
    drift.clear(visited, np.zeros(1, dtype=np.int64))
    assert drift.restless(visited)[0] == before


def test_without_a_baseline_there_is_no_alarm_and_no_figure() -> None:
    stream, state, _ = _fleet(5, 5, 6)
    got = drift.effect(state, stream, stream.base_blocks > 0, DEFAULT)
    assert np.isnan(got.drift).all()
    assert not state.alarm.any()


def _risen(level: np.ndarray, calm_days: int) -> baseline.Stream:
    """A fleet that was where it should be for some days and then stands at these levels for two."""
    units = len(level)
    stream = baseline.begin(
        np.zeros(units, dtype=np.int64), baseline.prior_before_data(np.zeros(P), np.ones(P), np.ones(P), 1)
    )
    x = np.zeros((units, P))
    x[:, features.LEVEL] = 1.0
    for day in range(calm_days + 2):
        y = level if day >= calm_days else np.zeros(units)
        sums = baseline.day_sums(np.arange(units), x, y, np.full(units, 1e6), 0.0)
        baseline.add(stream, sums, DEFAULT)
    return stream


def test_units_that_stray_learn_it_from_days_that_were_quicker_and_slower_ones_teach_nothing() -> None:
    # The log likelihood ratio of normal falls of two widths; a reference by scipy.
    units = 2000
    level = np.random.default_rng(7).normal(0, 0.05, units)
    stream, state = _risen(level, 20), drift.begin(units)
    drift._stray(state, stream, np.arange(units), DEFAULT)

    def share_of(half_life_d: float) -> float:
        weights = 2.0 ** (-np.arange(22) / half_life_d)
        return float(weights[:2].sum() / weights.sum())

    change = level * (share_of(DEFAULT.recent_half_life_d) - share_of(DEFAULT.slow_half_life_d))
    # What the whole fleet does meanwhile is no straying: measured against its middle and its lower half.
    middle, low = np.quantile(change, [0.5, 0.1])
    share = units / (units + drift.NULL_UNITS)
    spread = share * (middle - low) / norm.ppf(0.9) / drift.FALL_SD + 1.0 - share
    z = (change - share * middle) / drift.FALL_SD / spread
    ratio = norm.logpdf(z, scale=drift.FALL_FOLD) - norm.logpdf(z)
    told = drift.FALLS_A_DAY * np.clip(ratio, 0.0, drift.FALL_NATS[1])
    # Sums are kept to a part in 250.
    assert state.stray == pytest.approx(np.where(z < 0, told, 0.0), abs=0.02)
    assert np.all(state.stray[change > 0.005] == 0)
    assert state.stray.max() > 0.15


def test_a_level_that_rises_and_stays_there_is_no_straying_and_one_that_comes_back_is() -> None:
    units, rng = 400, np.random.default_rng(8)
    stream, state = _risen(np.zeros(units), 10), drift.begin(units)
    x = np.zeros((units, P))
    x[:, features.LEVEL] = 1.0
    for day in range(60):
        level = rng.normal(0, 0.005, units)
        level[:10] += 0.15
        level[10:20] += 0.15 if day % 20 < 10 else 0.0
        sums = baseline.day_sums(np.arange(units), x, level, np.full(units, 1e6), 0.0)
        baseline.add(stream, sums, DEFAULT)
        drift._stray(state, stream, np.arange(units), DEFAULT)
    assert state.stray[:10].max() < 0.5
    assert state.stray[10:20].min() > 2.0
    # After a visit nothing is known of before it to be compared with.
    before = state.stray.copy()
    baseline.forget_recent(stream, np.arange(units))
    drift._stray(state, stream, np.arange(units), DEFAULT)
    assert np.array_equal(state.stray, before)
