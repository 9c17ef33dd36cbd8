"""How causes, outlooks, repairs and intervals are judged, on hand-made cases."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from analytics.scoring import judge
from analytics.scoring.folder import NEVER, Known, Visited
from analytics.scoring.ours import Alarms, Judged, Ours
from analytics.verdict import Repair


def _ours(known: Known, **changed: object) -> Ours:
    size = (known.fleet.size, known.days)
    nothing = np.full(size, np.nan)
    no = np.zeros(size, bool)
    made = Ours(Alarms(np.zeros(size), np.zeros(size), no, no), no, nothing, nothing, nothing, np.zeros((*size, 6)), ())
    return dataclasses.replace(made, **changed)  # type: ignore[arg-type]


def test_a_cause_is_judged_a_fortnight_after_the_alarm_or_the_day_before_a_visit(
    make_known: Callable[..., Known],
) -> None:
    known = make_known([10, 10], [-1, -1], [-1, -1])
    known.visit[1, 26] = True
    standing = np.zeros((2, 100), bool)
    standing[:, 20:] = True
    stated = np.zeros((2, 100, 6))
    stated[0, 34, 0] = 0.8  # 20 + 14
    stated[1, 25, 3] = 0.6  # the day before the visit
    blank = np.zeros((2, 100))
    told = judge.named(_ours(known, alarms=Alarms(blank, blank, standing, standing), causes=stated), known)
    assert told.true.tolist() == [0, 0]
    assert told.stated[0, 0] == 0.8
    assert told.stated[1, 3] == 0.6
    assert told.top(1).tolist() == [True, False]
    assert judge.balanced(told.top(1), told.true) == 0.5


def test_balanced_accuracy_counts_causes_alike() -> None:
    true = np.array([0] * 9 + [1])
    assert judge.balanced(true == 0, true) == 0.5


@pytest.mark.published
def test_calibration_of_a_worked_case_is_its_mean_distance() -> None:
    # published: by the definition of Naeini, Cooper, Hauskrecht (2015): bins' distances weighed by their counts.
    stated = np.array([0.2] * 10 + [0.8] * 10)
    right = np.array([1.0] * 3 + [0.0] * 7 + [1.0] * 6 + [0.0] * 4)
    gap, error = judge.calibration(stated, right, bins=2)
    assert gap == pytest.approx(0.05)
    assert error == pytest.approx((0.1 * 10 + 0.2 * 10) / 20)


def test_outlooks_look_at_the_week_that_follows(make_known: Callable[..., Known]) -> None:
    known = make_known([-1], [-1], [-1], days=30)
    known.locked_out[0, 13] = True  # in the week after day 6
    known.chance[0, 7:14] = 0.1
    stated = np.full((1, 30), 0.2)
    told = judge.outlooks(_ours(known, lockout_7d=stated), known)
    assert told.came.tolist() == [True, False, False]
    assert told.true[0] == pytest.approx(1 - 0.9**7)
    assert told.stated.tolist() == [0.2, 0.2, 0.2]


def test_weeks_in_which_a_fault_begins_are_set_apart(make_known: Callable[..., Known]) -> None:
    known = make_known([15], [-1], [-1], days=30)
    told = judge.outlooks(_ours(known, lockout_7d=np.full((1, 30), 0.2)), known)
    assert told.begins.tolist() == [False, True, False]
    assert len(told.foreseeable().came) == 2


def test_skill_and_area_are_those_of_the_textbook() -> None:
    came = np.array([True, False, False, False])
    assert judge.brier_skill(np.full(4, 0.25), came) == pytest.approx(0.0)
    assert judge.brier_skill(came.astype(float), came) == pytest.approx(1.0)
    assert judge.auc(np.array([0.9, 0.1, 0.2, 0.95]), came) == pytest.approx(2 / 3)
    assert np.isnan(judge.auc(np.full(4, 0.1), np.zeros(4, bool)))


def test_a_calibrated_outlook_lies_within_its_intervals() -> None:
    rng = np.random.default_rng(5)
    stated = 10.0 ** rng.uniform(-4, -0.5, 40_000)
    points = judge.reliability(stated, rng.random(40_000) < stated)
    assert len(points) == 10
    assert sum(p["low"] <= p["stated"] <= p["high"] for p in points) >= 7
    assert sum(p["weeks"] for p in points) == 40_000


def _visit(verdict: str, change: float, *, right: bool, faulty: bool, low: float = -0.3, high: float = 0.1) -> Judged:
    said = Repair("2031-01-01T00:00:00Z", 0.0, low, high, None, None, None, verdict)  # type: ignore[arg-type]
    return Judged(Visited(0, 0, faulty, right, change), said)


def test_visits_are_good_failed_unfelt_or_checks() -> None:
    told = judge.repairs(
        [
            _visit("helped", -0.2, right=True, faulty=True),
            _visit("no_change", -0.5, right=True, faulty=True),  # outside of its interval
            _visit("no_change", -0.01, right=True, faulty=True),
            _visit("helped", 0.0, right=False, faulty=True),
            _visit("no_change", 0.0, right=False, faulty=False),
            Judged(Visited(0, 0, True, True, -0.2), None),
        ]
    )
    assert (told.good, told.good_helped, told.unfelt) == (2, 1, 1)
    assert (told.failed, told.failed_helped) == (1, 1)
    assert (told.checks, told.checks_helped) == (1, 0)
    assert (told.intervals, told.held) == (5, 4)


def test_drift_intervals_of_sound_units_are_to_hold_nothing_and_of_faulty_ones_the_excess(
    simulated: Known,
) -> None:
    size = (simulated.fleet.size, simulated.days)
    true = judge._true_drift(simulated)
    good, total, ill_good, ill = judge.coverage(_ours(simulated, low=true - 0.01, high=true + 0.01), simulated)
    assert total > 300
    assert ill > 30
    assert (good, ill_good) == (total, ill)
    narrow = judge.coverage(_ours(simulated, low=np.full(size, 5.0), high=np.full(size, 6.0)), simulated)
    assert narrow[0] == narrow[2] == 0
    assert (true[simulated.sound] == 0).all()
    assert true.max() > 0.1


def test_the_first_figures_are_counted_from_the_first_start(make_known: Callable[..., Known]) -> None:
    known = make_known([-1, -1], [-1, -1], [-1, -1], days=20)
    known.heard[0, :5] = False
    usable = np.zeros((2, 20), bool)
    usable[0, 11:] = True
    assert judge.first_verdict_d(_ours(known, usable=usable), known).tolist() == [7]


def test_a_rise_of_the_true_chance_lies_within_the_fault(simulated: Known) -> None:
    since = judge.risen_at(simulated)
    units = np.flatnonzero(since < NEVER)
    assert len(units) >= 2
    assert (simulated.cause[units] >= 0).all()
    assert (since[units] > simulated.onset[units]).all()
    assert (since[units] <= simulated.fixed[units]).all()


def test_locks_flagged_before_the_rise_count_as_at_once(make_known: Callable[..., Known]) -> None:
    known = make_known([10, 10, 10], [-1, -1, -1], [-1, -1, -1])
    since = np.array([known.ends[30], known.ends[30], NEVER])
    risen = np.zeros((3, 100), bool)
    risen[0, 20] = risen[1, 35] = True
    assert judge.lock_delays(risen, known, since).tolist() == [0.0, 5.0]
