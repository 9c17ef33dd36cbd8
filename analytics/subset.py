"""Some units' part of a fleet's state, so that they can be judged at once, whatever the size of the fleet."""

from __future__ import annotations

import copy
import dataclasses
from typing import TypeVar

import numpy as np

from analytics import channels, repair
from analytics.state import State
from analytics.tables import Ints

LEAST = 1000
"""Units of a fleet from which a part is cut out; a smaller one is small enough to be taken whole."""
BY_UNIT = ("run_up", "drift", "rate", "tries", "sample", "activity", "told")
"""Parts of the state with a row a unit, beside its own arrays, channels and visits; the others are of the fleet."""
_Part = TypeVar("_Part")


def some(state: State, units: Ints) -> State:
    """Return a copy of a state that knows only some of its units, in the order given.

    What the fleet has taught (priors, hazard, noise) is kept. The copy learns nothing more of that kind, which a few
    units could not teach: by its reckoning the fleet has begun only now.

    Parameters
    ----------
    state : as it stands at the end of a day; not changed
    units : rows of it, rising: all of them, or some of ``LEAST`` or more
    """
    size = len(state.gear)
    whole = {field.name: getattr(state, field.name) for field in dataclasses.fields(state)}
    if len(units) == size:
        out = copy.deepcopy(state)
    else:
        assert size >= LEAST, size  # else an array of the fleet's could be taken for one of units
        own = {n: _cut(part, size, units) for n, part in whole.items() if n in BY_UNIT or _is_by_unit(part, size)}
        own["after"] = repair.part(state.after, units)
        own["side"] = {name: channels.part(group, units) for name, group in state.side.items()}
        rest = {name: copy.deepcopy(part) for name, part in whole.items() if name not in own}
        out = dataclasses.replace(state, **own, **rest)
    out.first_day = -1
    return out


def _is_by_unit(part: object, size: int) -> bool:
    return isinstance(part, np.ndarray) and part.ndim > 0 and part.shape[0] == size


def _cut(part: _Part, size: int, units: Ints) -> _Part:
    """Take the units' rows of every array that has as many rows as the fleet has units; copy all else."""
    if isinstance(part, np.ndarray):
        return part[units] if _is_by_unit(part, size) else part.copy()  # type: ignore[return-value]
    if isinstance(part, dict):
        return {name: _cut(each, size, units) for name, each in part.items()}  # type: ignore[return-value]
    if dataclasses.is_dataclass(part) and not isinstance(part, type):
        fields = {field.name: _cut(getattr(part, field.name), size, units) for field in dataclasses.fields(part)}
        return dataclasses.replace(part, **fields)
    return copy.deepcopy(part)
