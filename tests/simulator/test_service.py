"""What people do about a unit that locks out."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from simulator import faults, nameplate, service
from simulator.faults import DAY_S, Faults
from simulator.nameplate import Units

LOCKOUT_S = np.full(100_000, 618.0)


@pytest.fixture(scope="module")
def units() -> Units:
    return nameplate.draw(0, 8, np.random.default_rng(1))


def all_faulty(cause: str) -> Faults:
    zero = np.zeros(8)
    return Faults(
        cause=np.full(8, faults.CAUSES.index(cause)),
        onset_s=zero,
        growth_s=zero,
        worth=zero + 0.5,
        look_alike=np.zeros(8, np.intp),
        look_s=zero + np.inf,
    )


def calls(days: int = 30) -> tuple[np.ndarray, np.ndarray]:
    """Every unit calls every three hours."""
    each = np.arange(0, days * DAY_S, 3 * 3600.0)
    return np.repeat(np.arange(8), len(each)), np.tile(each, 8)


def test_a_unit_stays_off_from_its_lockout_until_somebody_switches_it_off_and_on(units: Units) -> None:
    unit, at_s = calls()
    failed = np.flatnonzero(at_s < 10 * DAY_S)
    done = service.answer(units, all_faulty("weak_run_capacitor"), [], failed, unit, at_s, LOCKOUT_S, [1])
    for u in range(8):
        mine = [(locked, until) for who, _, locked, until in done.lockouts if who == u]
        assert mine
        for (_, until), (later, _) in itertools.pairwise(mine):
            assert later > until
        assert all(1.5 * 3600 <= until - locked <= 14 * 3600 for locked, until in mine)
    _, row, locked, _ = done.lockouts[0]
    assert locked == at_s[row] + 618.0


def test_a_visit_follows_in_working_hours_and_most_do_the_right_work(units: Units) -> None:
    unit, at_s = calls(120)
    rows = np.arange(len(at_s))
    right, wrong = 0, 0
    for seed in range(12):
        done = service.answer(units, all_faulty("low_supply_voltage"), [], rows, unit, at_s, LOCKOUT_S, [seed])
        first = {v.unit: v for v in reversed(done.visits)}
        right += sum(v.right for v in first.values())
        wrong += sum(not v.right for v in first.values())
        for visit in done.visits:
            assert 8 <= (visit.at_s / 3600 - 7) % 24 < 16
            assert visit.work == (["supply_wiring"] if visit.right else ["other"])
    assert right / (right + wrong) == pytest.approx(service.RIGHT_SHARE, abs=0.12)


def test_going_through_again_changes_nothing_that_came_before(units: Units) -> None:
    unit, at_s = calls()
    cause = all_faulty("mechanical")
    early = np.flatnonzero(at_s < 5 * DAY_S)
    more = np.flatnonzero(at_s < 8 * DAY_S)
    one = service.answer(units, cause, [], early, unit, at_s, LOCKOUT_S, [3])
    two = service.answer(units, cause, [], more, unit, at_s, LOCKOUT_S, [3])
    for u in range(8):
        first, second = ([x for x in done.lockouts if x[0] == u] for done in (one, two))
        assert second[: len(first)] == first


def test_nobody_comes_to_mend_what_has_been_mended(units: Units) -> None:
    unit, at_s = calls(120)
    later = [service.Visit(u, 119 * DAY_S, ["run_capacitor"], {}, ["run capacitor"], "", right=True) for u in range(8)]
    done = service.answer(
        units, all_faulty("weak_run_capacitor"), later, np.arange(len(at_s)), unit, at_s, LOCKOUT_S, [2]
    )
    for u in range(8):
        assert sum(v.right for v in done.visits if v.unit == u) == 1


def test_the_right_work_is_what_the_cause_calls_for_and_sets_the_time_of_the_repair() -> None:
    done = service.Service(
        visits=[
            service.Visit(1, 50.0, ["other"], {}, [], ""),
            service.Visit(1, 90.0, ["start_kit_fitted"], {}, ["start kit"], "", right=True),
            service.Visit(2, 70.0, ["start_kit_fitted"], {}, ["start kit"], "fitted as a precaution"),
        ]
    )
    fixed, kit = service.times(done, all_faulty("unequalised_pressures"))
    assert fixed[1] == 90
    assert np.isinf(fixed[2])
    assert kit[[1, 2]].tolist() == [90, 70]


@pytest.mark.parametrize(("at_h", "expected_h"), [(15.0, 15.0), (22.9, 22.9), (23.0, 39.0), (2.5, 15.5), (14.9, 15.9)])
def test_visits_wait_for_the_hour_after_eight_o_clock_local_time(at_h: float, expected_h: float) -> None:
    assert service.working_hour(at_h * 3600) / 3600 == pytest.approx(expected_h, abs=1e-3)
