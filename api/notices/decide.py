"""Which units' changes are told: only those for the worse, each once, for a whole fleet at a time.

What was told of a unit counts until the unit has stood better for some hours without a break. Until then it may come
back to the same standing as often as it likes, and nothing is said again; only what is worse still is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from api.notices.gravity import DOWN, NONE, SILENT, Ints

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

CALM_S = 6 * 3600.0
"""A unit must stand better for so long before the same standing is told again; common practice, no source."""


@dataclass(frozen=True)
class Memory:
    """What is remembered of each unit, one row a unit.

    Parameters
    ----------
    told : gravest standing told that still counts, 0 to 5; -1 for a unit never looked at
    better_since_s : since when the unit has stood better than that, seconds since 1970 UTC; NaN where it does not
    """

    told: Ints
    better_since_s: Floats


@dataclass(frozen=True)
class Decision:
    """What follows, one row a unit: whether its change is told, what is then remembered, and what must wait."""

    tell: Bools
    waits: Bools
    """Looked at again later as if it had not been looked at now: nothing of it is to be remembered."""
    memory: Memory


def decide(
    now: Ints,
    before: Memory,
    muted: Ints,
    at_s: float,
    *,
    first: bool = False,
    believe_silence: bool = True,
    calm_s: float = CALM_S,
) -> Decision:
    """Decide for each unit whether its standing is told now.

    Parameters
    ----------
    now : gravity of the present standings, 0 to 5
    before : what is remembered
    muted : gravity at which a unit was muted; -1 where it is not
    at_s : the present instant, seconds since 1970 UTC
    first : the account is looked at for the first time: what holds already is no change, and nothing is told
    believe_silence : False after an outage of our own, while silence may still be of our making
    calm_s : see :data:`CALM_S`
    """
    unknown = before.told == NONE
    # A unit that is silent when first met was never heard: that it goes on so is no change.
    told = np.where(unknown, now if first else np.where(now == SILENT, SILENT, 0), before.told)
    waits = (now == SILENT) & (told < SILENT) & (not believe_silence)
    # Silence says nothing of whether a graver standing is over.
    hidden = (now == SILENT) & (told > SILENT)
    better = (now < told) & ~hidden
    since = np.where(better, np.where(np.isnan(before.better_since_s), at_s, before.better_since_s), np.nan)
    since = np.where(hidden, before.better_since_s, since)
    calm = better & (at_s - since >= calm_s)
    worse = (now > told) & ~waits
    tell = worse & (now > muted) & (now >= SILENT) & (now <= DOWN)
    memory = Memory(np.where(calm | worse, now, told), np.where(calm, np.nan, since))
    return Decision(tell, waits, memory)
