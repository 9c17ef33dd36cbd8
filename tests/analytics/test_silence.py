from __future__ import annotations

import numpy as np

from analytics import silence
from analytics.options import DAY_US


def _history(units: int, days: int, per_day: float, stops: dict[int, int], outdoor_c: float = -5.0) -> np.ndarray:
    """Units that start so often a day; some stop on a day. Returns who is silent at the end."""
    state = silence.begin(units)
    last = np.zeros(units, dtype=np.int64)
    rng = np.random.default_rng(1)
    for day in range(days):
        silence.turn(state, day)
        count = rng.poisson(per_day, units)
        for u, stop in stops.items():
            if day >= stop:
                count[u] = 0
        unit = np.repeat(np.arange(units), count)
        silence.take(state, day, unit, np.full(len(unit), outdoor_c))
        last[count > 0] = day * DAY_US + DAY_US // 2
    return silence.silent(state, days * DAY_US, last, np.zeros(units, dtype=np.int64))


def test_a_unit_that_stops_while_its_peers_go_on_is_silent() -> None:
    assert _history(20, 40, 12, {3: 35}).tolist() == [u == 3 for u in range(20)]


def test_in_mild_weather_when_all_rest_nobody_is_silent() -> None:
    assert not _history(20, 60, 12, dict.fromkeys(range(20), 45)).any()


def test_an_outage_of_our_own_makes_nobody_silent() -> None:
    assert not _history(20, 44, 12, dict.fromkeys(range(20), 40)).any()


def test_a_short_pause_is_no_silence() -> None:
    assert not _history(20, 40, 12, {3: 39}).any()


def test_a_lone_unit_is_silent_only_after_long_and_only_in_hard_weather() -> None:
    assert not _history(1, 40, 12, {0: 35}).any()
    assert _history(1, 45, 12, {0: 30}).all()
    assert not _history(1, 45, 12, {0: 30}, outdoor_c=15.0).any()


def test_a_unit_never_heard_of_is_not_silent() -> None:
    state = silence.begin(1)
    never = np.array([10**18])
    assert not silence.silent(state, 20_000 * DAY_US, np.array([-(2**62)]), never).any()
