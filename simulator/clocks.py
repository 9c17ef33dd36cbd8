"""Loggers whose clock is wrong for some days, and loggers that are off line for some hours. All figures assumed.

A logger's clock is set by the network. Now and then one loses its power, comes back without having counted the
while, and cannot reach the network's time for some days: it runs behind, drifts as a quartz does, and is then set
right. No record is lost and none comes out of order by it: the step is smaller than the shortest time between tries.
Rests and intervals are counted, not read off the clock, and stay right.

Off line, a logger keeps its records and sends them when it is back (`simulator.messages`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator.faults import DAY_S
from simulator.rows import moment

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

WRONG_DAYS = 3000.0
"""Mean time until a logger's clock goes wrong, days."""
WRONG_FOR_D = (1.0, 12.0)
"""How long it stays wrong, days."""
BEHIND_S = (2.0, 90.0)
"""How long it stood without power, s."""
DRIFT_S_PER_D = (0.9, 5.2)
"""Drift of a free quartz clock, either way: 10 to 60 parts in a million, s a day."""
LARGEST_S = BEHIND_S[1] + WRONG_FOR_D[1] * DRIFT_S_PER_D[1]
"""Largest error of a clock [s]: below the shortest time between two tries of a unit."""
OFFLINE_DAYS = 90.0
"""Mean time between a logger's spells off line, days."""
OFFLINE_H = (0.5, 36.0)
"""How long such a spell lasts, hours; short ones are the more frequent."""


@dataclass(frozen=True)
class Clocks:
    """Loggers' clocks, one row a unit: wrong from when to when [s] (infinity: never), by how much, and its growth.

    At ``from_s`` the clock tells ``offset_s`` more than it is (below 0: it is behind), and ``drift`` seconds more each
    second from then on. ``offline`` holds (unit, from [s], to [s]) of spells off line, in order of unit and time.
    """

    from_s: Array
    to_s: Array
    offset_s: Array
    drift: Array
    offline: list[tuple[int, float, float]]


def draw(count: int, days: int, rng: np.random.Generator) -> Clocks:
    """Draw what goes wrong with the clocks and connections of ``count`` loggers over ``days`` days."""
    from_s = rng.exponential(WRONG_DAYS * DAY_S, count)
    lasts_s = rng.uniform(*WRONG_FOR_D, count) * DAY_S
    behind_s = rng.uniform(*BEHIND_S, count)
    drift = rng.choice([-1.0, 1.0], count) * rng.uniform(*DRIFT_S_PER_D, count) / DAY_S
    never = from_s >= days * DAY_S
    return Clocks(
        from_s=np.where(never, np.inf, np.round(from_s)),
        to_s=np.where(never, np.inf, np.round(np.minimum(from_s + lasts_s, days * DAY_S))),
        offset_s=np.where(never, 0.0, -np.round(behind_s)),
        drift=np.where(never, 0.0, drift),
        offline=_offline(count, days, rng),
    )


def error_s(clocks: Clocks, unit: Index, at_s: Array) -> Array:
    """Return by how much each unit's clock is ahead at a moment [s]: 0 where it is right."""
    since_s = at_s - clocks.from_s[unit]
    wrong = (since_s >= 0) & (at_s < clocks.to_s[unit])
    drifted_s = clocks.drift[unit] * np.where(wrong, since_s, 0.0)
    return np.where(wrong, clocks.offset_s[unit] + drifted_s, 0.0)


def told(clocks: Clocks, unit: int, first_day: datetime) -> dict[str, Any]:
    """Return what is so of one unit's logger, for the record of it: ``clock`` (None: right throughout), ``offline``."""
    clock = None
    if np.isfinite(clocks.from_s[unit]):
        clock = {
            "from": moment(first_day, clocks.from_s[unit]),
            "to": moment(first_day, clocks.to_s[unit]),
            "offset_s": float(clocks.offset_s[unit]),
            "drift_s_per_day": round(float(clocks.drift[unit]) * DAY_S, 3),
        }
    spells = [(begin, end) for u, begin, end in clocks.offline if u == unit]
    return {
        "clock": clock,
        "offline": [{"from": moment(first_day, begin), "to": moment(first_day, end)} for begin, end in spells],
    }


def _offline(count: int, days: int, rng: np.random.Generator) -> list[tuple[int, float, float]]:
    """Return spells off line that do not overlap and end within the run."""
    end_s = days * DAY_S
    short, long = np.log(OFFLINE_H) + np.log(3600.0)
    spells = []
    for unit in range(count):
        at_s = float(rng.exponential(OFFLINE_DAYS * DAY_S))
        while at_s < end_s:
            until_s = at_s + float(np.exp(rng.uniform(short, long)))
            if until_s < end_s:
                spells.append((unit, round(at_s, 0), round(until_s, 0)))
            at_s = until_s + float(rng.exponential(OFFLINE_DAYS * DAY_S))
    return spells
