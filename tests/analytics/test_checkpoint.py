from __future__ import annotations

import copy
import pickle
from pathlib import Path
from types import ModuleType

import pytest

from analytics import checkpoint, core
from analytics.checkpoint import DAILY, EVERY_D, SPARSE, Checkpoints
from analytics.state import State, begin, copied
from analytics.tables import Fleet, fleet


def test_copies_share_the_samples_of_the_fleet_and_each_goes_its_own_way(made: ModuleType) -> None:
    whole = fleet(made.fleet(6, 60, 2).tables)
    days = range(int(whole.starts.day[0]), int(whole.starts.day[0]) + 60)
    state = begin(whole)
    for day in days[:45]:
        core.advance(state, whole, day)
    one, other = copied(state), copy.deepcopy(state)
    assert one.hazard.x is state.hazard.x
    assert one.record.x is state.record.x
    assert len(one.hazard.x)
    for day in days[45:]:
        core.advance(one, whole, day)
    assert len(one.hazard.x) > len(state.hazard.x)
    assert pickle.dumps(state) == pickle.dumps(other)


def said(made: ModuleType, state: State | None) -> dict[str, bytes]:
    """Return all arrays of a state, as bytes."""
    return {path: array.tobytes() for path, array in made.arrays(state).items()}


def run(made: ModuleType, units: int, days: int) -> tuple[Fleet, int, State]:
    """Return a fleet, its first day, and its state before that."""
    whole = fleet(made.fleet(units, days, 1).tables)
    return whole, int(whole.starts.day[0]), begin(whole)


def follow(kept: Checkpoints, state: State, whole: Fleet, days: range, today: int | None = None) -> None:
    """Take a state through days and keep it at the end of each: as of ``today``, or of the day after."""
    for day in days:
        core.advance(state, whole, day)
        kept.keep(state, day + 1 if today is None else today)


@pytest.mark.parametrize("large", [1, 1000], ids=["in a file", "in memory"])
def test_work_is_taken_up_from_the_newest_state_that_knows_nothing_of_a_day(
    made: ModuleType, monkeypatch: pytest.MonkeyPatch, large: int
) -> None:
    monkeypatch.setattr(checkpoint, "LARGE", large)
    whole, first, state = run(made, 2, 50)
    kept, as_it_was = Checkpoints(), {}
    for day in range(first, first + 50):
        core.advance(state, whole, day)
        kept.keep(state, day + 1)
        as_it_was[day] = said(made, state)
    assert len(kept.older) <= DAILY + SPARSE
    assert (kept.file is None) == (large > 2)
    for late in (first + 49, first + 48, first + 47, first + 40, first + 15):
        got = kept.before(late)
        assert got is not None
        assert got.day < late
        if late > first + 47:
            assert got.day == late - 1
        else:
            assert late - got.day <= EVERY_D
        assert said(made, got) == as_it_was[got.day]
        core.advance(got, whole, got.day + 1)
        again = kept.before(late)
        assert again is not None
        assert again.day == got.day - 1
        assert said(made, again) == as_it_was[again.day]
    assert kept.before(first) is None


def test_after_late_data_the_days_are_kept_anew_and_say_what_they_did(
    made: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkpoint, "LARGE", 1)
    whole, first, state = run(made, 2, 40)
    kept = Checkpoints()
    follow(kept, state, whole, range(first, first + 40), today=first + 40)
    days = sorted(kept.older)
    assert days[-2:] == [first + 37, first + 38]
    assert [day % EVERY_D for day in days[:-2]] == [0] * (len(days) - 2)
    before = said(made, kept.newest)
    late = kept.before(first + 38)
    assert late is not None
    follow(kept, late, whole, range(first + 38, first + 40), today=first + 40)
    assert sorted(kept.older) == days
    assert said(made, kept.newest) == before


def test_the_newest_state_of_a_day_is_copied_once(made: ModuleType) -> None:
    whole, first, state = run(made, 2, 9)
    core.advance(state, whole, first)
    kept = Checkpoints()
    kept.keep(state, first + 1)
    newest = kept.newest
    kept.keep(state, first + 1)
    assert kept.newest is newest
    assert kept.newest is not state


def test_what_is_not_wanted_any_more_leaves_its_place_in_the_file_to_another(
    made: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(checkpoint, "LARGE", 1)
    whole, first, state = run(made, 2, 60)
    kept = Checkpoints()
    follow(kept, state, whole, range(first, first + 60))
    places = list(kept.older.values())
    assert len(set(places)) == len(places)
    assert max(places) <= DAILY + SPARSE


def test_where_there_is_no_room_a_past_state_is_left_out_and_said_so(
    made: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(checkpoint, "LARGE", 1)
    whole, first, state = run(made, 2, 9)
    # Linux's own device that is always full.
    with Path("/dev/full").open("r+b", buffering=0) as full:
        kept = Checkpoints(file=full)
        for day in range(first, first + 3):
            core.advance(state, whole, day)
            kept.keep(state, day + 1)
    assert not kept.older
    assert kept.newest is not None
    assert kept.newest.day == first + 2
    assert "make room in" in capsys.readouterr().err


@pytest.mark.parametrize(("age_d", "day", "kept"), [(3, 1, True), (4, 1, False), (87, 14, True), (88, 14, False)])
def test_the_older_a_state_the_fewer_of_its_age_are_kept(age_d: int, day: int, kept: bool) -> None:
    assert checkpoint.wanted(day, day + age_d) is kept
