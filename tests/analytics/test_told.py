from __future__ import annotations

import dataclasses
from datetime import timedelta
from types import ModuleType

import numpy as np
import pytest

from analytics import told
from analytics.replay import replay


def _day(state: told.Told, **has: list[bool]) -> tuple[dict[str, np.ndarray], list[bool]]:
    """A day of one unit's starts that tell, or not, each of the fields."""
    count = len(next(iter(has.values()), [True]))
    field = {
        name: np.where(has.get(name, [True] * count), 5.0 + np.arange(count, dtype=float), np.nan)
        for name in told.FIELDS
    }
    used, alike = told.take(state, np.zeros(count, dtype=np.int64), field)
    return used, alike.tolist()


def test_a_start_that_lacks_what_its_unit_usually_tells_is_not_like_the_others() -> None:
    state = told.begin(1)
    assert _day(state, outdoor_c=[True, True, False])[1] == [True, True, False]
    assert _day(state, outdoor_c=[False, False, False])[1] == [False, False, False]
    assert told.lost(state).tolist() == [True]


def test_what_a_unit_does_not_usually_tell_is_left_out() -> None:
    state = told.begin(1)
    _day(state, line_v=[False, False])
    used, alike = _day(state, line_v=[True, True])
    assert alike == [True, True]
    assert np.isnan(used["line_v"]).all()
    assert np.isfinite(used["outdoor_c"]).all()
    assert told.lost(state).tolist() == [False]


@pytest.mark.parametrize(("learned", "days"), [(True, told.LASTS_D), (False, told.LASTS_LEARNING_D)])
def test_other_fields_are_usual_once_they_have_lasted(learned: bool, days: int) -> None:
    state, units = told.begin(1), np.array([learned])
    _day(state)
    for day in range(days):
        assert told.changed(state, units, np.array([True])).tolist() == [], day
        _day(state, outdoor_c=[False])
    assert told.changed(state, units, np.array([False])).tolist() == [], "not while an alarm stands"
    assert told.changed(state, units, np.array([True])).tolist() == [0]
    assert _day(state, outdoor_c=[False])[1] == [True]


def test_a_day_as_usual_between_begins_the_count_anew() -> None:
    state, yes = told.begin(1), np.array([True])
    _day(state)
    for day in range(60):
        _day(state, outdoor_c=[day % 10 == 0])
        assert told.changed(state, yes, yes).tolist() == []


@pytest.mark.parametrize("gone", ["from a cold day on", "until a cold day", "one day in five"])
def test_a_temperature_that_comes_or_goes_raises_no_alarm_on_sound_units(made: ModuleType, gone: str) -> None:
    tables = made.fleet(16, 110, 5, faulty=0.0).tables
    starts = tables.starts.copy()
    day = (starts["at"].dt.floor("D") - starts["at"].min().floor("D")).dt.days
    without = {"from a cold day on": day >= 60, "until a cold day": day < 60, "one day in five": day % 5 == 2}[gone]
    starts.loc[without, "outdoor_c"] = np.nan
    lines = list(replay(dataclasses.replace(tables, starts=starts), every=timedelta(days=2)))
    assert not [v for v in lines if v.run_up.alarm or v.locked.alarm]
    lacking = {v.unit for v in lines if "conditions_lost" in v.reasons}
    assert len(lacking) == (0 if gone == "until a cold day" else 16)
    last = [v for v in lines if v.as_of == lines[-1].as_of]
    assert all(v.run_up.drift is not None for v in last)
