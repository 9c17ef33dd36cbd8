"""The verdict as it is served: the stored object, its members in the published order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analytics.verdict import HYPOTHESES, Locked, RunUp, Verdict

_ORDER: Mapping[str, tuple[str, ...]] = {
    "": Verdict.__struct_fields__,
    "run_up": RunUp.__struct_fields__,
    "locked": Locked.__struct_fields__,
    "causes": HYPOTHESES,
}


def _sorted(told: Mapping[str, Any], order: tuple[str, ...]) -> dict[str, Any]:
    known = {k: told[k] for k in order if k in told}
    return known | {k: v for k, v in told.items() if k not in known}


def ordered(body: Mapping[str, Any]) -> dict[str, Any]:
    """Return a verdict with its members in the published order; the database keeps JSON in an order of its own."""
    parts = {k: _sorted(v, _ORDER[k]) if k in _ORDER and isinstance(v, Mapping) else v for k, v in body.items()}
    return _sorted(parts, _ORDER[""])
