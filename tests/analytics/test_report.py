from __future__ import annotations

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
