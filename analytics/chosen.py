"""What an account has set about its verdicts: what there is to set, and the options that its settings make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from analytics.options import DEFAULT, Options


@dataclass(frozen=True)
class Settable:
    """One option that an account may set, and the range that it may have."""

    name: str
    low: float
    high: float


SETTABLE: tuple[Settable, ...] = (
    Settable("planned_visit_cost", 0.01, 1_000_000.0),
    Settable("emergency_visit_cost", 0.01, 1_000_000.0),
    Settable("kit_cost", 0.0, 1_000_000.0),
    Settable("cold_house_cost", 0.0, 1_000_000.0),
    Settable("false_alarms_per_unit_year", 0.001, 10.0),
)
"""The costs are in any one currency; what is a year's false alarms is a rate for each unit without a fault."""


def options_of(settings: Mapping[str, Any]) -> Options:
    """Return the options that an account's settings make; what is not set, or cannot be, stays as it is by default."""
    told: dict[str, Any] = {}
    for one in SETTABLE:
        value = settings.get(one.name)
        if isinstance(value, int | float) and not isinstance(value, bool) and one.low <= value <= one.high:
            told[one.name] = float(value)
    return Options(**told) if told else DEFAULT
