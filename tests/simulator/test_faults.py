"""Faults: where they can fall, how they grow, and that work takes them away."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import faults, nameplate
from simulator.faults import CAUSES, DAY_S

DAYS = 200
NEVER = np.full(600, np.inf)


@pytest.fixture(scope="module")
def units() -> nameplate.Units:
    return nameplate.draw(0, 600, np.random.default_rng(1))


@pytest.fixture(scope="module")
def wrong(units: nameplate.Units) -> faults.Faults:
    return faults.draw(units, DAYS, 0.5, np.random.default_rng(2))


def everyone(at_day: float) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(600), np.full(600, at_day * DAY_S)


def test_about_the_wanted_share_is_faulty_and_every_cause_occurs(wrong: faults.Faults) -> None:
    assert (wrong.cause > 0).mean() == pytest.approx(0.5, abs=0.07)
    assert set(wrong.cause.tolist()) == set(range(len(CAUSES)))


def test_nobody_is_faulty_where_the_share_is_zero(units: nameplate.Units) -> None:
    none = faults.draw(units, DAYS, 0.0, np.random.default_rng(2))
    assert (none.cause == 0).all()
    assert np.isinf(none.onset_s).all()


def test_a_start_gear_fails_only_where_there_is_one(units: nameplate.Units, wrong: faults.Faults) -> None:
    failed = wrong.cause == CAUSES.index("start_gear_failed")
    assert ((units.kit[failed] > 0) | (units.ptc_ohm[failed] > 0)).all()


def test_a_start_gear_fails_open_weak_or_welded(units: nameplate.Units, wrong: faults.Faults) -> None:
    mine = np.flatnonzero(wrong.cause == CAUSES.index("start_gear_failed"))
    state = faults.state(units, wrong, mine, np.full(len(mine), 500 * DAY_S), NEVER, NEVER)
    relay, welded = units.kit[mine] > 0, state.welded
    assert welded.any()
    assert (relay[welded]).all()
    assert (state.kit[welded] == units.kit[mine][welded]).all()
    assert (state.kit[relay & ~welded] < 0.25 * units.kit[mine][relay & ~welded]).all()
    thermistor = units.ptc_ohm[mine] > 0
    weak, cold = state.ptc_ohm[thermistor], units.ptc_ohm[mine][thermistor]
    assert ((weak == 0) | (weak > 2 * cold)).all()
    told = faults.growth(wrong, int(mine[welded][0]))
    assert told["changes"] == "relay contacts, welded"


def test_a_faulty_unit_has_no_look_alike_besides(wrong: faults.Faults) -> None:
    assert (wrong.look_alike[wrong.cause > 0] == 0).all()


def test_nothing_shows_before_the_onset(units: nameplate.Units, wrong: faults.Faults) -> None:
    unit = np.arange(600)
    before = np.where(np.isfinite(wrong.onset_s), wrong.onset_s - 1, 0)
    state = faults.state(units, wrong, unit, before, NEVER, NEVER)
    np.testing.assert_array_equal(state.tau_s, units.tau_s)
    np.testing.assert_array_equal(state.source_ohm, units.source_ohm)
    np.testing.assert_array_equal(state.kit, units.kit)
    np.testing.assert_array_equal(state.friction_nm, units.friction_nm)
    assert (state.cap_fraction == 1).all()
    assert (state.heater == 1).all()


def test_severity_rises_to_one_and_is_gone_after_the_right_work(wrong: faults.Faults) -> None:
    faulty = wrong.cause > 0
    last = -1.0
    for day in (0, 40, 80, 120, 160, 500):
        now = faults.severity(wrong, *everyone(day), NEVER)
        assert (now[~faulty] == 0).all()
        assert now.mean() >= last
        last = now.mean()
    assert (faults.severity(wrong, *everyone(500), NEVER)[faulty] == 1).all()
    fixed = np.full(600, 300 * DAY_S)
    assert (faults.severity(wrong, *everyone(500), fixed) == 0).all()


def test_a_fitted_kit_helps_and_leaves_the_valve_slow(units: nameplate.Units, wrong: faults.Faults) -> None:
    slow = np.flatnonzero(wrong.cause == CAUSES.index("unequalised_pressures"))
    at_s = np.full(len(slow), 500 * DAY_S)
    kit_s = np.full(600, 400 * DAY_S)
    state = faults.state(units, wrong, slow, at_s, kit_s, kit_s)
    assert (state.kit == pytest.approx(0.97)) or (state.kit > 0.9).all()
    assert (state.tau_s > 1.2 * units.tau_s[slow]).all()


def test_the_record_of_a_fault_says_what_it_changes_and_by_how_much(wrong: faults.Faults) -> None:
    u = int(np.flatnonzero(wrong.cause == CAUSES.index("weak_run_capacitor"))[0])
    told = faults.growth(wrong, u)
    assert told["changes"] == "run capacitance, fraction lost"
    assert 0.4 <= float(str(told["by"])) <= 0.6
    assert faults.growth(wrong, int(np.flatnonzero(wrong.cause == 0)[0]))["by"] == 0
