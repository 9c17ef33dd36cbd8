"""All that is carried from one day to the next: sums by unit, and what the fleet has taught."""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics import (
    ahead,
    attempts,
    baseline,
    channels,
    drift,
    hazard,
    locked,
    noise,
    outlook,
    repair,
    silence,
    told,
)
from analytics.options import DAY_US, DEFAULT, Options
from analytics.tables import CLASSES, GEAR, Fleet, Ints

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NOT_YET = 10**7
"""A day that never comes: the history of a unit without starts."""
# Before any start is seen (assumptions; the fleet's own data overrule them): a run-up of a fifth of a second, longer
# after short rests and in cold, and falling with voltage as torque rises with its square.
BEFORE_MEAN = np.array([np.log(0.2), 0.0, 0.05, 0.05, 0.1, 0.0, 0.05, -0.25, 0.1, 0.0])
BEFORE_SPREAD = np.array([0.6, 0.15, 0.15, 0.15, 0.12, 0.08, 0.1, 0.1, 0.15, 0.1])
BEFORE_UNIT_SD = np.array([0.25, 0.1, 0.12, 0.1, 0.08, 0.05, 0.08, 0.06, 0.06, 0.05])


@dataclass
class State:
    """All that is carried from one day to the next, one row a unit.

    ``worked_at`` is the instant of the last visit at which more was done than to look, -1 for none.
    """

    options: Options
    day: int
    first_day: int
    gear: NDArray[np.int8]
    first_at: Ints
    since_day: NDArray[np.int32]
    timed: NDArray[np.int32]
    restarted: Bools
    flagged_before: Bools
    worked_at: Ints
    run_up: baseline.Stream
    side: dict[str, channels.Group]
    noise: noise.Noise
    drift: drift.Drift
    rate: locked.Rate
    hazard: hazard.Hazard
    tries: attempts.Attempts
    sample: outlook.Sample
    activity: silence.Activity
    told: told.Told
    after: repair.After
    record: ahead.Record
    today: list[Ints]
    locked_first: int
    by_chance: float
    lockouts: int

    @property
    def usable(self) -> Bools:
        """Which units have a baseline."""
        return self.run_up.base_blocks > 0


def copied(state: State) -> State:
    """Return a copy that can go its own way, as at every instant of a verdict and wherever work may be taken up again.

    The samples that the fleet's laws are fitted to are far larger than all else of a small fleet; they are replaced
    now and then and never changed, so that the copies share them.
    """
    shared = (state.hazard.x, state.hazard.y, state.hazard.weight, state.record.x, state.record.y)
    return copy.deepcopy(state, {id(sample): sample for sample in shared})


def klass(fleet: Fleet, gear: Ints | NDArray[np.int8]) -> Ints:
    """Return the class of each unit: metering by start gear."""
    return fleet.metering * (len(GEAR) + 1) + gear


def begin(fleet: Fleet, options: Options = DEFAULT) -> State:
    """Return the state of a fleet before its first start."""
    units = fleet.size
    before = baseline.prior_before_data(BEFORE_MEAN, BEFORE_SPREAD, BEFORE_UNIT_SD, CLASSES)
    return State(
        options=options,
        day=-1,
        first_day=-1,
        gear=fleet.gear.astype(np.int8),
        first_at=np.full(units, NOT_YET * DAY_US, dtype=np.int64),
        since_day=np.full(units, NOT_YET, dtype=np.int32),
        timed=np.zeros(units, dtype=np.int32),
        restarted=np.zeros(units, dtype=bool),
        flagged_before=np.zeros(units, dtype=bool),
        worked_at=np.full(units, -1, dtype=np.int64),
        run_up=baseline.begin(klass(fleet, fleet.gear), before),
        side=channels.begin(units),
        noise=noise.begin(),
        drift=drift.begin(units),
        rate=locked.begin(units),
        hazard=hazard.begin(),
        tries=attempts.begin(units),
        sample=outlook.begin(units),
        activity=silence.begin(units),
        told=told.begin(units),
        after=repair.begin(units),
        record=ahead.begin(),
        today=[],
        locked_first=0,
        by_chance=0.0,
        lockouts=0,
    )
