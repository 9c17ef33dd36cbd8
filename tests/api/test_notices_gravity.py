from __future__ import annotations

from typing import get_args

from analytics.verdict import StandingName
from api.notices.gravity import LEVELS, NONE, TOLD, UNACKNOWLEDGED, level, levels
from api.words import FLAGGED


def test_every_standing_has_its_gravity_in_the_order_of_the_call_list() -> None:
    names = get_args(StandingName)
    assert {*LEVELS, "learning"} == set(names)
    assert [level(s) for s in FLAGGED] == sorted((level(s) for s in FLAGGED), reverse=True)
    assert level("learning") == level("steady") == 0
    assert levels([*names, None, float("nan")]).tolist() == [*map(level, names), NONE, NONE]


def test_what_is_only_watched_is_in_the_digest_alone() -> None:
    assert set(UNACKNOWLEDGED) - set(TOLD) == {"watch"}
