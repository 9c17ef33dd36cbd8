from __future__ import annotations

import dataclasses
from types import ModuleType

import pytest

from analytics import core, report, spd
from analytics.options import DAY_US
from analytics.tables import fleet


def test_verdicts_made_in_pieces_of_the_fleet_are_those_made_at_once(
    made: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = fleet(made.fleet(7, 20, 3).tables)
    instant = int(whole.starts.day[0] + 20) * DAY_US
    ((_, state),) = core.run(whole, [instant])
    at_once = list(report.verdicts(state, whole, instant))
    monkeypatch.setattr(report, "PIECE", 3)
    monkeypatch.setattr(spd, "PIECE", 2)
    assert list(report.verdicts(state, whole, instant)) == at_once
    assert len(at_once) == 7
    assert any(one.verdict.lockout_7d for one in at_once)


def test_what_is_ahead_of_a_unit_that_is_not_heard_is_not_said(made: ModuleType) -> None:
    tables = made.fleet(12, 40, 3).tables
    first = int(fleet(tables).starts.day[0])
    starts = tables.starts
    gone = (starts["unit"] == starts["unit"].iloc[0]) & (starts["at"].astype("int64") >= (first + 25) * DAY_US)
    whole = fleet(dataclasses.replace(tables, starts=starts[~gone]))
    said = {}
    for day in (25, 40):
        instant = (first + day) * DAY_US
        ((_, state),) = core.run(whole, [instant])
        said[day] = {one.verdict.unit: one for one in report.verdicts(state, whole, instant)}[starts["unit"].iloc[0]]
    assert said[25].verdict.lockout_7d is not None
    assert said[40].verdict.standing == "silent"
    assert said[40].verdict.lockout_7d is None
    assert said[40].verdict.lockout_14d is None
