"""What a write says of itself."""

from __future__ import annotations

from typing import NamedTuple


class Stored(NamedTuple):
    """How many rows were new, and how many were there already."""

    new: int
    doubles: int
