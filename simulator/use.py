"""When compressors are switched on: thermostat cycling by load, minimum off times, setbacks, defrost.

References
----------
.. [1] NEMA DC 3, *Residential Controls - Electrical Wall-Mounted Room Thermostats* (1989): starts per hour of a
   two-position thermostat, 4·N·X·(1 - X), with run fraction X and most starts per hour N.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.weather import UTC_OFFSET_H

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

MIN_OFF_S = 300.0
"""Anti-short-cycle delay, s (5 min, common practice, no source)."""
MIN_RUN_S = 180.0
BALANCE_C = 16.0
COOL_FROM_C = 22.0


@dataclass(frozen=True)
class Schedule:
    """First attempts in order of unit and time: one row a call of the thermostat that reaches the compressor."""

    unit: Index
    at_s: Array
    hour: Index
    off_s: Array
    ran_s: Array
    cooling: npt.NDArray[np.bool_]
    defrost: npt.NDArray[np.bool_]
    run_fraction: Array


@dataclass(frozen=True)
class Habits:
    """How a house is run, one row a unit: most starts per hour, design temperatures, and a change of thermostat."""

    per_hour: Array
    design_c: Array
    hot_design_c: Array
    setback_k: Array
    changed_s: Array


def habits(count: int, rng: np.random.Generator) -> Habits:
    """Draw the habits of houses; nobody has changed the thermostat yet."""
    return Habits(
        per_hour=rng.uniform(0.6, 1.25, count),
        design_c=rng.uniform(-27.0, -19.0, count),
        hot_design_c=rng.uniform(34.0, 38.0, count),
        setback_k=np.where(rng.random(count) < 0.5, rng.uniform(1.0, 3.0, count), 0.0),
        changed_s=np.full(count, np.inf),
    )


def run_fraction(outdoor_c: Array, house: Habits) -> Array:
    """Return which part of each hour the compressor would run, 0 to 0.97, shape (unit, hour)."""
    local = (np.arange(outdoor_c.shape[1]) + UTC_OFFSET_H) % 24
    night, morning = (local >= 22) | (local < 5), (local >= 5) & (local < 8)
    shift = np.where(night, -1.0, np.where(morning, 1.6, 0.0)) * house.setback_k[:, None]
    heat = (BALANCE_C + shift - outdoor_c) / (BALANCE_C - house.design_c[:, None])
    cool = (outdoor_c - COOL_FROM_C) / (house.hot_design_c[:, None] - COOL_FROM_C)
    return np.clip(np.maximum(heat, cool), 0.0, 0.97)


def schedule(outdoor_c: Array, house: Habits, rng: np.random.Generator) -> Schedule:
    """Return every call for the compressor of every unit, at most one per cycle of the thermostat.

    Parameters
    ----------
    outdoor_c : (unit, hour)
        Outdoor temperature [°C].
    house : Habits
        One row a unit.
    rng : numpy.random.Generator
        Source of randomness.
    """
    hours = outdoor_c.shape[1]
    fraction = run_fraction(outdoor_c, house)
    changed = np.arange(hours) * 3600.0 >= house.changed_s[:, None]
    most = house.per_hour[:, None] * np.where(changed, 1.7, 1.0)
    # Even a house that hardly loses heat calls now and then; one at its design load still stops for defrost.
    rate = np.where(fraction > 0, np.maximum(4 * most * fraction * (1 - fraction), 0.12 + 0.25 * fraction), 0.0)
    unit, at_s = _events(rate, rng)
    count = len(at_s)
    hour = np.minimum((at_s // 3600).astype(np.intp), hours - 1)
    here, outdoor = fraction[unit, hour], outdoor_c[unit, hour]
    previous = np.diff(at_s, prepend=at_s[:1] - 7200.0)
    first = np.diff(unit, prepend=-1) != 0
    previous[first] = rng.uniform(3600, 10800, int(first.sum()))
    cycle = (1 - here) * previous * np.exp(rng.normal(0, 0.35, count))
    # Called again while the delay still runs (setback, defrost, zone valves): oftener the higher the load.
    short = rng.random(count) < 0.06 + 0.32 * here**2 + 0.2 * (at_s >= house.changed_s[unit])
    off_s = np.where(short, rng.exponential(45.0, count), cycle - MIN_OFF_S)
    off_s = np.clip(MIN_OFF_S + np.maximum(off_s, 0.0) + rng.uniform(0, 5, count), None, previous - MIN_RUN_S)
    cooling = outdoor > (BALANCE_C + COOL_FROM_C) / 2
    defrost = ~cooling & (outdoor < 4) & (outdoor > -12) & (rng.random(count) < 0.06)
    keep = off_s >= MIN_OFF_S
    return Schedule(
        unit=unit[keep],
        at_s=at_s[keep],
        hour=hour[keep],
        off_s=off_s[keep],
        ran_s=_ran(unit[keep], at_s[keep], off_s[keep], rng),
        cooling=cooling[keep],
        defrost=defrost[keep],
        run_fraction=here[keep],
    )


def _ran(unit: Index, at_s: Array, off_s: Array, rng: np.random.Generator) -> Array:
    """Return how long the compressor ran before each stop: from the start before to that stop."""
    ran: Array = np.diff(at_s, prepend=0.0) - off_s
    first = np.diff(unit, prepend=-1) != 0
    ran[first] = rng.uniform(600, 2400, int(first.sum()))
    return np.maximum(ran, 60.0)


def _events(rate: Array, rng: np.random.Generator) -> tuple[Index, Array]:
    """Return unit and time [s] of events that come at a rate per hour, nearly evenly spaced, shape (unit, hour)."""
    units, hours = rate.shape
    # One long time line, unit after unit: the running total is inverted for all units at once.
    total = np.concatenate([[0.0], np.cumsum(rate.ravel())])
    count = int(total[-1])
    marks = np.arange(count) + 0.5 + rng.uniform(-0.38, 0.38, count)
    place = np.interp(marks, total, np.arange(units * hours + 1, dtype=np.float64))
    unit = np.minimum((place // hours).astype(np.intp), units - 1)
    return unit, (place - unit * hours) * 3600.0
