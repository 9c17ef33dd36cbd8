"""What happened to a batch of units: the scatter of each start, how the tries went, and what people did."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from simulator import outcomes
from simulator.faults import DAY_S, Faults
from simulator.service import Service
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

DROPPED = 1e-4
"""Chance that power goes away before a start is clear."""


@dataclass(frozen=True)
class Noise:
    """Scatter of each start, drawn once so that what people do later changes nothing that came before."""

    call_z: Array
    try_z: Array
    try_u: Array
    volts: Array
    close_deg: Array
    time_z: Array
    dropped: npt.NDArray[np.bool_]
    wander: Array


@dataclass(frozen=True)
class Happened:
    """Calls in order of unit and time, the conditions they met, how many tries stalled, and what people did."""

    plan: Schedule
    met: outcomes.Conditions
    stalls: Index
    factor: Array
    down: npt.NDArray[np.bool_]
    days: int
    done: Service
    reported: tuple[Array, Array]


def draw(starts: int, units: int, days: int, restless: npt.NDArray[np.bool_], rng: np.random.Generator) -> Noise:
    """Draw the scatter of starts and the slow wander of each unit's run-up time, larger for the restless ones.

    The wander, and an effect of the day, are 3 % and 2 % of run-up time (7 % for the restless): no fault.
    """
    keep = np.exp(-1 / 20.0)
    steps = rng.normal(0, np.sqrt(1 - keep**2), (units, days))
    slow = lfilter([1.0], [1.0, -keep], steps, axis=1) * np.where(restless, 0.07, 0.03)[:, None]
    return Noise(
        call_z=rng.normal(size=starts),
        try_z=rng.normal(size=(outcomes.TRIES, starts)),
        try_u=rng.random((outcomes.TRIES, starts)),
        volts=rng.normal(0, 0.6, starts),
        close_deg=rng.uniform(0, 180, starts),
        time_z=rng.normal(0, 0.025, starts),
        dropped=rng.random(starts) < DROPPED,
        wander=slow + rng.normal(0, 0.02, (units, days)),
    )


def window(wrong: Faults, days: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return from when to when each unit's logger reports [s]: some join late, a few fall silent for good."""
    count = len(wrong.cause)
    join = np.where(rng.random(count) < 0.08, rng.uniform(0, 0.35, count) * days * DAY_S, 0.0)
    join = np.minimum(join, np.where(np.isfinite(wrong.onset_s), 0.5 * wrong.onset_s, join))
    silent = np.where(rng.random(count) < 0.012, rng.uniform(0.6, 1.0, count) * days * DAY_S, np.inf)
    return join, silent
