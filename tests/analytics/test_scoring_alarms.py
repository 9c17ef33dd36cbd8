"""Scores to alarms, on hand-made cases whose answers can be counted on a finger."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from analytics.scoring import alarms
from analytics.scoring.folder import Known

NO = np.zeros((1, 20), bool)


def _score(*parts: tuple[float, int]) -> np.ndarray:
    return np.concatenate([np.full(days, value) for value, days in parts])[None]


def test_an_alarm_rises_once_and_again_only_after_a_week_below_half() -> None:
    score = _score((0, 3), (5, 2), (3.9, 2), (5, 2), (1, 8), (5, 3))
    assert np.flatnonzero(alarms.rises(score, NO, 4.0)[0]).tolist() == [3, 17]


def test_a_visit_takes_an_alarm_back_and_what_still_stands_does_not_rise_again() -> None:
    visit = NO.copy()
    visit[0, 6] = True
    assert np.flatnonzero(alarms.rises(_score((0, 3), (5, 17)), visit, 4.0)[0]).tolist() == [3]
    assert np.flatnonzero(alarms.rises(_score((0, 3), (5, 4), (1, 1), (5, 12)), visit, 4.0)[0]).tolist() == [3, 8]


def test_a_day_without_news_keeps_the_score() -> None:
    score = _score((0, 3), (5, 2), (np.nan, 10), (5, 5))
    assert alarms.rises(score, NO, 4.0).sum() == 1


def test_several_thresholds_at_once_are_each_as_alone() -> None:
    score = np.random.default_rng(1).random((7, 60))
    visit = np.random.default_rng(2).random((7, 60)) < 0.02
    many = alarms.rises(score, visit, np.array([0.3, 0.9]))
    for k, h in enumerate((0.3, 0.9)):
        assert (many[k] == alarms.rises(score, visit, h)).all()


def test_edges_are_the_days_on_which_an_alarm_begins_to_stand() -> None:
    standing = np.array([[False, True, True, False, True]])
    assert alarms.edges(standing).tolist() == [[False, True, False, False, True]]


def test_the_matched_threshold_keeps_to_the_budget_and_the_next_lower_does_not(
    make_known: Callable[..., Known],
) -> None:
    known = make_known([-1] * 300, [-1] * 300, [-1] * 300, days=365)
    score = np.random.default_rng(3).standard_exponential((300, 365))
    h = alarms.matched([(score, known)], 0.10)
    assert alarms.false_rate(alarms.rises(score, known.visit, h), known.sound) <= 0.10
    assert alarms.false_rate(alarms.rises(score, known.visit, h - 0.5), known.sound) > 0.10


def test_false_alarms_are_counted_on_sound_days_only(make_known: Callable[..., Known]) -> None:
    known = make_known([50, -1], [-1, -1], [-1, -1], days=100)
    risen = np.zeros((2, 100), bool)
    risen[0, 10] = risen[0, 60] = risen[1, 99] = True
    assert known.sound.sum() == 150
    assert alarms.false_rate(risen, known.sound) == pytest.approx(2 / (150 / 365.25))


def test_a_fault_is_found_between_its_onset_and_its_repair(make_known: Callable[..., Known]) -> None:
    known = make_known([50, 50, 50, -1], [-1, 60, -1, -1], [70, 55, -1, -1])
    risen = np.zeros((4, 100), bool)
    risen[0, [20, 61]] = True  # the earlier one was false
    risen[1, 65] = True  # mended by then
    risen[2, 49] = True  # its end is the onset itself
    risen[3, 10] = True
    seen = alarms.found(risen, known)
    assert seen.delay_d.tolist() == [12.0, np.inf, np.inf]
    assert seen.before[:2].tolist() == [1.0, 0.0]
    assert np.isnan(seen.before[2])


def test_an_alarm_at_the_end_of_the_day_of_the_lockout_comes_after_it(make_known: Callable[..., Known]) -> None:
    known = make_known([50], [-1], [70])
    risen = np.zeros((1, 100), bool)
    risen[0, 70] = True
    assert alarms.found(risen, known).before.tolist() == [0.0]


def test_the_ratio_of_medians_counts_what_was_never_found_and_has_an_interval() -> None:
    theirs = np.full(101, 10.0)
    assert alarms.median_ratio(np.full(101, 15.0), theirs) == (1.5, 1.5, 1.5)
    half = np.where(np.arange(101) < 45, 10.0, np.inf)
    middle, low, high = alarms.median_ratio(half, theirs)
    assert middle == np.inf
    assert low in {1.0, 1e9}
    assert high == 1e9  # stands for never


def test_the_share_found_rises_with_the_days() -> None:
    share = alarms.share_by(np.array([3.0, 30.0, np.inf]), np.array([0.0, 3.0, 100.0]))
    assert share == pytest.approx([0, 1 / 3, 2 / 3])
    assert alarms.middle_d(np.array([3.0, 30.0, np.inf])) == 30.0
