from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from analytics import silence
from analytics.options import DAY_US


def _history(
    units: int,
    days: int,
    per_day: float | NDArray[np.float64],
    stops: dict[int, int],
    outdoor_c: float | NDArray[np.float64] = -5.0,
    begins: dict[int, int] | None = None,
    back: int = 10**6,
) -> NDArray[np.bool_]:
    """Units that start so often a day; some stop on a day, some begin on one. Returns who is silent at the end."""
    state = silence.begin(units)
    last = np.zeros(units, dtype=np.int64)
    first = np.zeros(units, dtype=np.int64)
    for u, day in (begins or {}).items():
        first[u] = day * DAY_US
    rng = np.random.default_rng(1)
    mean = np.broadcast_to(np.asarray(per_day, dtype=float), (units,))
    air = np.broadcast_to(np.asarray(outdoor_c, dtype=float), (units,))
    for day in range(days):
        silence.turn(state, day)
        count = rng.poisson(mean)
        count[first > day * DAY_US] = 0
        for u, stop in stops.items():
            if stop <= day < back:
                count[u] = 0
        unit = np.repeat(np.arange(units), count)
        silence.take(state, day, unit, air[unit], np.full(len(unit), np.nan))
        silence.close(state, day, first)
        last[count > 0] = day * DAY_US + DAY_US // 2
    return silence.silent(state, days * DAY_US, last, first)


def test_a_unit_that_stops_while_its_peers_go_on_is_silent() -> None:
    assert _history(20, 40, 12, {3: 35}).tolist() == [u == 3 for u in range(20)]


@pytest.mark.parametrize("days", [40, 70, 71, 80, 200, 400])
def test_a_unit_stays_silent_for_as_long_as_nothing_is_heard_of_it(days: int) -> None:
    assert _history(20, days, 12, {3: 35}).tolist() == [u == 3 for u in range(20)]


def test_a_unit_that_starts_again_is_silent_no_more() -> None:
    assert not _history(20, 90, 12, {3: 35}, back=89).any()


def test_in_mild_weather_when_all_rest_nobody_is_silent() -> None:
    assert not _history(20, 60, 12, dict.fromkeys(range(20), 45)).any()


@pytest.mark.parametrize("units", [2, 3, 5, 6, 20])
@pytest.mark.parametrize("days", [4, 12, 40, 100])
def test_an_outage_of_our_own_makes_nobody_silent(units: int, days: int) -> None:
    assert not _history(units, 40 + days, 12, dict.fromkeys(range(units), 40)).any()


@pytest.mark.parametrize("units", [2, 3, 5])
def test_of_a_few_units_one_is_silent_in_hard_weather_while_another_goes_on(units: int) -> None:
    assert _history(units, 60, 12, {0: 45}).tolist() == [u == 0 for u in range(units)]


def test_units_that_join_the_fleet_make_nobody_silent_who_rests_as_before() -> None:
    # Twenty units that start four times a day, one of which rests for three days and a bit; two hundred join meanwhile.
    begins = dict.fromkeys(range(20, 220), 37)
    assert not _history(220, 41, 4, {3: 37}, begins=begins).any()


def _seasons(
    days: int, stop: int, a_day: int, weather: Callable[[int], tuple[float, float]]
) -> Iterator[tuple[int, list[bool]]]:
    """Twenty units of which the fourth stops on a day; yields who is silent each day, by its air and mode."""
    state = silence.begin(20)
    first, last = np.zeros(20, dtype=np.int64), np.zeros(20, dtype=np.int64)
    for day in range(days):
        silence.turn(state, day)
        count = np.full(20, a_day)
        count[3] = a_day if day < stop else 0
        unit = np.repeat(np.arange(20), count)
        silence.take(state, day, unit, *(np.full(len(unit), value) for value in weather(day)))
        silence.close(state, day, first)
        last[count > 0] = day * DAY_US + DAY_US // 2
        yield day, silence.silent(state, (day + 1) * DAY_US, last, first).tolist()


def test_a_unit_that_only_heats_is_not_expected_to_start_while_its_peers_cool() -> None:
    told = dict(_seasons(120, 60, 8, lambda day: (0.0, 0.0) if day < 60 else (30.0, 1.0)))
    assert not any(told[119])


@pytest.mark.parametrize("rest_d", [4, 7, 14, 30])
def test_where_it_is_mild_all_may_rest_while_units_elsewhere_go_on_in_the_cold(rest_d: int) -> None:
    mild = dict.fromkeys(range(30, 40), 60 - rest_d)
    air = np.where(np.arange(40) < 30, -5.0, 15.0)
    assert not _history(40, 60, np.where(np.arange(40) < 30, 20.0, 8.0), mild, outdoor_c=air).any()
    # One that stops while those beside it go on is silent.
    assert _history(40, 60, 12.0, {35: 54}, outdoor_c=air).tolist() == [u == 35 for u in range(40)]


def test_a_unit_that_falls_silent_before_the_cold_is_silent_in_it() -> None:
    told = dict(_seasons(120, 40, 12, lambda day: (12.0 - 0.3 * day, np.nan)))
    for day in (45, 80, 119):
        assert told[day] == [u == 3 for u in range(20)], day


def test_a_short_pause_is_no_silence() -> None:
    assert not _history(20, 40, 12, {3: 39}).any()


def test_a_lone_unit_is_silent_only_after_long_and_only_in_hard_weather() -> None:
    assert not _history(1, 40, 12, {0: 35}).any()
    assert _history(1, 45, 12, {0: 30}).all()
    assert _history(1, 120, 12, {0: 30}).all()
    assert not _history(1, 45, 12, {0: 30}, outdoor_c=15.0).any()


def test_a_unit_never_heard_of_is_not_silent() -> None:
    state = silence.begin(1)
    never = np.array([10**18])
    assert not silence.silent(state, 20_000 * DAY_US, np.array([-(2**62)]), never).any()


def test_a_unit_that_starts_without_end_is_counted_to_255_a_day_and_is_silent_no_sooner() -> None:
    state = silence.begin(1)
    one = np.zeros(400, dtype=np.int64)
    for _ in range(2):
        silence.take(state, 3, one, np.full(400, -5.0), np.full(400, np.nan))
    assert state.ring[0, 3] == silence.MOST
    assert state.ring.sum() == silence.MOST
    assert not _history(12, 40, 400.0, {}).any()
    stopped = _history(12, 40, 400.0, {3: 30})
    assert stopped.tolist() == [unit == 3 for unit in range(12)]
