"""A change for the worse is told once; what flaps, gets better or is muted is not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.notices.decide import CALM_S, Decision, Memory, decide
from api.notices.gravity import LEVELS, TOLD, level, levels

HOUR_S = 3600.0
STANDINGS = (*LEVELS, "learning")


def begin(*told: str) -> Memory:
    return Memory(levels(told), np.full(len(told), np.nan))


def after(memory: Memory, now: str, at_h: float, muted: str | None = None) -> Decision:
    """Decide for one unit."""
    return decide(levels([now]), memory, levels([muted]), at_h * HOUR_S)


def told_of(history: list[tuple[float, str]], first: str = "steady") -> list[str]:
    """The standings that are told of one unit with this history of (hours, standing)."""
    memory, told = begin(first), []
    for at_h, standing in history:
        made = after(memory, standing, at_h)
        memory = made.memory
        if made.tell[0]:
            told.append(standing)
    return told


def test_a_fleets_changes_for_the_worse_are_told_and_no_others() -> None:
    rows = [(was, now) for was in STANDINGS for now in STANDINGS]
    made = decide(
        levels([now for _, now in rows]),
        Memory(levels([was for was, _ in rows]), np.full(len(rows), np.nan)),
        levels([None] * len(rows)),
        0.0,
    )
    told = {row for row, tell in zip(rows, made.tell, strict=True) if tell}
    assert told == {(was, now) for was, now in rows if now in TOLD and level(now) > level(was)}
    assert not any(now == "watch" for _, now in told)
    assert {was for was, now in told if now == "silent"} == {"steady", "learning", "watch"}


@pytest.mark.parametrize("again_s", [600.0, 3600.0, CALM_S - 60])
def test_a_unit_that_flaps_is_told_once_however_often_it_comes_back(again_s: float) -> None:
    step_h = again_s / HOUR_S
    flaps = [(n * step_h, ("service", "steady")[n % 2]) for n in range(40)]
    assert told_of(flaps) == ["service"]


def test_a_unit_that_flaps_and_then_gets_worse_is_told_once_more() -> None:
    assert told_of([(0, "service"), (1, "watch"), (2, "service"), (3, "down"), (4, "steady"), (5, "down")]) == [
        "service",
        "down",
    ]


def test_after_calm_hours_without_a_break_the_same_standing_is_told_anew() -> None:
    hours = CALM_S / HOUR_S
    assert told_of([(0, "down"), (1, "steady"), (1 + hours, "steady"), (2 + hours, "down")]) == ["down", "down"]
    broken = [(0, "down"), (1, "steady"), (4, "down"), (5, "steady"), (1 + hours, "steady"), (2 + hours, "down")]
    assert told_of(broken) == ["down"]


def test_a_better_standing_that_was_never_told_is_told_once_it_gets_worse_than_calm() -> None:
    hours = CALM_S / HOUR_S
    history = [(0, "down"), (1, "watch"), (1 + hours, "watch"), (2 + hours, "service"), (3 + hours, "down")]
    assert told_of(history) == ["down", "service", "down"]


def test_silence_does_not_make_a_graver_standing_forgotten() -> None:
    assert told_of([(0, "service"), (1, "silent"), (100, "silent"), (101, "service")]) == ["service"]
    assert told_of([(0, "silent"), (90, "service")]) == ["silent", "service"]


def test_a_muted_unit_is_told_only_when_worse_than_when_muted() -> None:
    now = levels(["start_assist", "service", "down"])
    memory = Memory(levels(["steady"] * 3), np.full(3, np.nan))
    made = decide(now, memory, levels(["service"] * 3), 0.0)
    assert made.tell.tolist() == [False, False, True]


def test_what_holds_when_an_account_is_first_looked_at_is_no_change() -> None:
    now = levels(STANDINGS)
    unknown = Memory(levels([None] * len(STANDINGS)), np.full(len(STANDINGS), np.nan))
    muted = levels([None] * len(STANDINGS))
    first = decide(now, unknown, muted, 0.0, first=True)
    assert not first.tell.any()
    assert first.memory.told.tolist() == now.tolist()
    # A unit that comes later is told of, but that it was never heard is none.
    later = decide(now, unknown, muted, 0.0)
    assert {s for s, tell in zip(STANDINGS, later.tell, strict=True) if tell} == {"start_assist", "service", "down"}


def test_silence_that_may_be_ours_waits_and_is_not_remembered() -> None:
    now = levels(["silent", "silent", "down"])
    memory = Memory(levels(["steady", "service", "steady"]), np.full(3, np.nan))
    made = decide(now, memory, levels([None] * 3), 0.0, believe_silence=False)
    assert made.tell.tolist() == [False, False, True]
    assert made.waits.tolist() == [True, False, False]


@given(st.lists(st.sampled_from(STANDINGS), min_size=1, max_size=60), st.floats(60, 0.9 * CALM_S))
def test_within_the_calm_hours_each_notice_is_graver_than_the_one_before(history: list[str], step_s: float) -> None:
    # Steps so short that no better standing holds for the calm hours unless it is kept: then it starts anew.
    memory, gravest, calm_from = begin("steady"), 0, None
    for n, standing in enumerate(history):
        at_s = n * step_s
        made = decide(levels([standing]), memory, levels([None]), at_s)
        now = level(standing)
        if made.tell[0]:
            assert now > gravest
        if now >= gravest:
            gravest, calm_from = now, None
        elif standing != "silent":
            calm_from = at_s if calm_from is None else calm_from
            if at_s - calm_from >= CALM_S:
                gravest, calm_from = now, None
        memory = made.memory
