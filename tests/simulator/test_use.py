"""When compressors are switched on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import use

DAYS = 20


def plan_at(outdoor_c: float, units: int = 30, seed: int = 1) -> use.Schedule:
    rng = np.random.default_rng(seed)
    return use.schedule(np.full((units, 24 * DAYS), outdoor_c), use.habits(units, rng), rng)


@given(st.floats(-35, 40), st.integers(0, 50))
@settings(max_examples=25, deadline=None)
def test_a_compressor_rests_at_least_five_minutes_and_never_starts_before_it_has_stopped(
    outdoor_c: float, seed: int
) -> None:
    plan = plan_at(outdoor_c, units=4, seed=seed)
    same = np.diff(plan.unit) == 0
    assert (np.diff(plan.at_s)[same] > 0).all()
    assert (plan.off_s >= use.MIN_OFF_S).all()
    assert (plan.off_s[1:][same] < np.diff(plan.at_s)[same]).all()
    assert (plan.ran_s > 0).all()


@pytest.mark.parametrize("outdoor_c", [-25.0, -10.0, 0.0, 8.0, 32.0])
def test_a_house_calls_six_to_thirty_times_a_day_under_load(outdoor_c: float) -> None:
    per_day = np.bincount(plan_at(outdoor_c).unit) / DAYS
    assert 6 <= per_day.mean() <= 30


def test_short_rests_come_with_the_cold() -> None:
    short = {t: (plan_at(t).off_s < 420).mean() for t in (8.0, -8.0, -22.0)}
    assert short[8.0] < short[-8.0] < short[-22.0]


def test_nobody_calls_between_heating_and_cooling() -> None:
    assert len(plan_at(21.0).at_s) == 0


def test_heating_in_the_cold_cooling_in_the_heat_and_defrost_only_near_freezing() -> None:
    assert not plan_at(-5.0).cooling.any()
    assert plan_at(32.0).cooling.all()
    assert plan_at(-5.0).defrost.mean() == pytest.approx(0.06, abs=0.02)
    assert not plan_at(-20.0).defrost.any()
    assert not plan_at(32.0).defrost.any()


def test_a_changed_thermostat_calls_more_often_from_then_on() -> None:
    rng = np.random.default_rng(4)
    house = use.habits(30, rng)
    house.changed_s[:] = DAYS / 2 * 86_400
    plan = use.schedule(np.full((30, 24 * DAYS), -5.0), house, rng)
    late = plan.at_s >= DAYS / 2 * 86_400
    assert late.sum() > 1.3 * (~late).sum()


@pytest.mark.published
def test_most_calls_come_at_half_load() -> None:
    # published: NEMA DC 3: starts per hour 4·N·X·(1 - X) are most, N, at a run fraction X of one half.
    rng = np.random.default_rng(2)
    house = use.habits(200, rng)
    at_half = (use.BALANCE_C + house.design_c) / 2
    plan = use.schedule(
        np.repeat(at_half[:, None], 24 * DAYS, axis=1), use.Habits(**vars(house) | {"setback_k": 0 * at_half}), rng
    )
    per_hour = np.bincount(plan.unit, minlength=200) / (24 * DAYS)
    assert (per_hour / house.per_hour).mean() == pytest.approx(1, abs=0.05)
