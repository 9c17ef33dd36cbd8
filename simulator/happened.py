"""What happened to a batch of units: the scatter of each start, how the tries went, and what people did."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from simulator import outcomes
from simulator.compressor import Compressors
from simulator.faults import DAY_S, Faults
from simulator.nameplate import Units
from simulator.service import Service
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

TURN_DEG = 60.0
"""From try to try, a contactor closes at another point of the wave (assumption)."""
DROPPED = 1e-4
"""Chance that power goes away before a start is clear."""


@dataclass(frozen=True)
class Noise:
    """Scatter of each start, drawn once so that what people do later changes nothing that came before.

    ``close_deg`` is (TRIES, starts); ``inertia`` the factor by which all that moves run-up time a little is taken.
    """

    call_z: Array
    try_z: Array
    try_u: Array
    volts: Array
    close_deg: Array
    inertia: Array
    valve_u: Array
    dropped: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Happened:
    """Calls in order of unit and time, the conditions they met, how many tries stalled, and what people did."""

    motors: Compressors
    plan: Schedule
    met: outcomes.Conditions
    stalls: Index
    factor: Array
    down: npt.NDArray[np.bool_]
    days: int
    done: Service
    reported: tuple[Array, Array]


def draw(units: Units, plan: Schedule, days: int, restless: npt.NDArray[np.bool_], rng: np.random.Generator) -> Noise:
    """Draw the scatter of starts and the slow wander of each unit's run-up time, larger for the restless ones.

    The wander, and an effect of the day, are 3 % and 2 % of run-up time (7 % for the restless): no fault. They come as
    a change of inertia, with which run-up time goes nearly in proportion.
    """
    starts, count = len(plan.at_s), len(units.unit)
    keep = np.exp(-1 / 20.0)
    steps = rng.normal(0, np.sqrt(1 - keep**2), (count, days))
    slow = lfilter([1.0], [1.0, -keep], steps, axis=1) * np.where(restless, 0.07, 0.03)[:, None]
    wander = slow + rng.normal(0, 0.02, (count, days))
    day = np.minimum(plan.at_s // DAY_S, days - 1).astype(np.intp)
    turn = TURN_DEG * np.arange(outcomes.TRIES)[:, None]
    anywhere = (rng.uniform(0, 180, starts) + turn) % 180
    zero = np.abs(rng.normal(4, 3, (outcomes.TRIES, starts)))
    return Noise(
        call_z=rng.normal(size=starts),
        try_z=rng.normal(size=(outcomes.TRIES, starts)),
        try_u=rng.random((outcomes.TRIES, starts)),
        volts=rng.normal(0, 0.6, starts),
        close_deg=np.where(units.zero_crossing[plan.unit], zero, anywhere),
        inertia=np.exp(wander[plan.unit, day] + rng.normal(0, 0.025, starts)),
        valve_u=rng.random(starts),
        dropped=rng.random(starts) < DROPPED,
    )


def window(wrong: Faults, days: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return from when to when each unit's logger reports [s]: some join late, a few fall silent for good."""
    count = len(wrong.cause)
    join = np.where(rng.random(count) < 0.08, rng.uniform(0, 0.35, count) * days * DAY_S, 0.0)
    join = np.minimum(join, np.where(np.isfinite(wrong.onset_s), 0.5 * wrong.onset_s, join))
    silent = np.where(rng.random(count) < 0.012, rng.uniform(0.6, 1.0, count) * days * DAY_S, np.inf)
    return join, silent
