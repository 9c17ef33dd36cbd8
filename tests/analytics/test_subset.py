from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from analytics import core, subset
from analytics.options import DAY_US
from analytics.state import State
from analytics.tables import fleet

UNITS = 61


@pytest.fixture
def state(made: ModuleType, monkeypatch: pytest.MonkeyPatch) -> State:
    monkeypatch.setattr(subset, "LEAST", UNITS)
    whole = fleet(made.fleet(UNITS, 15, 4).tables)
    ((_, state),) = core.run(whole, [int(whole.starts.day[0] + 14) * DAY_US])
    return state


def test_a_part_has_the_units_rows_of_all_that_is_kept_by_unit_and_the_fleets_own_as_it_was(
    made: ModuleType, state: State
) -> None:
    some = subset.some(state, np.array([3, 17, 60]))
    whole, part = made.arrays(state), made.arrays(some)
    assert whole.keys() == part.keys()
    of_fleet = (".record", ".noise", ".hazard", ".side")
    by_unit = [p for p, array in whole.items() if array.ndim and len(array) == UNITS and not p.startswith(of_fleet)]
    assert len(by_unit) > 50
    for path, array in whole.items():
        if path.startswith(".side"):
            continue
        assert np.array_equal(part[path], array[[3, 17, 60]] if path in by_unit else array, equal_nan=True), path


def test_a_part_has_the_channels_of_its_units_in_the_order_given(made: ModuleType, state: State) -> None:
    units = np.array([3, 17, 60])
    part = subset.some(state, units)
    told = 0
    for name, group in state.side.items():
        rows, own = group.row[units], part.side[name]
        assert own.row.tolist() == [-1 if row < 0 else int(np.sum(rows[:k] >= 0)) for k, row in enumerate(rows)]
        for path, array in made.arrays(group.stream).items():
            by_unit = not path.startswith(".prior")
            assert np.array_equal(made.arrays(own.stream)[path], array[rows[rows >= 0]] if by_unit else array), path
        told += len(own.stream.klass)
    assert told > 3


def test_a_part_can_be_changed_without_changing_the_whole(made: ModuleType, state: State) -> None:
    before = {path: array.copy() for path, array in made.arrays(state).items()}
    for units in (np.array([3, 17]), np.arange(UNITS)):
        for array in made.arrays(subset.some(state, units)).values():
            array.fill(1)
    for path, array in made.arrays(state).items():
        assert np.array_equal(array, before[path], equal_nan=True), path


def test_a_part_of_a_small_fleet_is_refused(state: State, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subset, "LEAST", UNITS + 1)
    with pytest.raises(AssertionError):
        subset.some(state, np.array([1]))
