from __future__ import annotations

import copy
import pickle
from types import ModuleType

from analytics import core
from analytics.checkpoint import DAILY, SPARSE, Checkpoints
from analytics.state import begin, copied
from analytics.tables import fleet


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


def test_work_is_taken_up_from_the_newest_copy_that_knows_nothing_of_a_day(made: ModuleType) -> None:
    whole = fleet(made.fleet(2, 50, 1).tables)
    state, kept = core.begin(whole), Checkpoints()
    first = int(whole.starts.day[0])
    for day in range(first, first + 50):
        core.advance(state, whole, day)
        kept.keep(state)
    assert len(kept.states) <= DAILY + SPARSE
    got = kept.before(first + 48)
    assert got is not None
    assert got.day == first + 47
    core.advance(got, whole, first + 48)
    assert kept.states[first + 47].day == first + 47
    assert first + 49 not in kept.states
    assert kept.before(first) is None
