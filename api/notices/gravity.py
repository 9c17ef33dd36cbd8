"""How grave each standing is, for telling a change for the worse from any other."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

LEVELS: tuple[str, ...] = ("steady", "watch", "silent", "start_assist", "service", "down")
"""Standings from the least to the most grave; a unit that is still learning counts as steady."""
SILENT = LEVELS.index("silent")
DOWN = LEVELS.index("down")
TOLD: tuple[str, ...] = ("down", "service", "start_assist", "silent")
"""Standings of which a notice can go out at once; what is watched stands in the digest only."""
UNACKNOWLEDGED: tuple[str, ...] = ("down", "service", "start_assist", "silent", "watch")
"""Standings that a digest lists until somebody has seen them."""
NONE = -1

_LEVEL = {name: level for level, name in enumerate(LEVELS)} | {"learning": 0}


def level(standing: str | None) -> int:
    """Return the gravity of a standing, 0 to 5; -1 for none."""
    return NONE if standing is None else _LEVEL[standing]


def levels(standings: Iterable[object]) -> Ints:
    """Return the gravity of each standing; -1 where there is none (None or NaN)."""
    return np.array([_LEVEL.get(s, NONE) if isinstance(s, str) else NONE for s in standings], dtype=np.int64)
