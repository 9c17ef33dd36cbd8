"""Shapes of a verdict and its parts in the JSON answers."""

from __future__ import annotations

from datetime import datetime

from analytics.verdict import RepairName, StandingName
from api.shape import Shape


class RunUp(Shape):
    """Run-up time against this unit's own baseline under the same conditions; 90 % interval of the drift."""

    starts: int
    expected_s: float | None
    now_s: float | None
    drift: float | None
    low: float | None
    high: float | None
    since: str | None
    alarm: bool


class Locked(Shape):
    """Locked starts against the expected count; 90 % interval of the ratio."""

    starts: int
    seen: float
    expected: float | None
    ratio: float | None
    low: float | None
    high: float | None
    since: str | None
    alarm: bool


class Repair(Shape):
    """What a visit changed at equal conditions: run-up time as a fraction, locked starts over those expected; 90 %."""

    visit: datetime
    run_up_change: float | None
    low: float | None
    high: float | None
    locked_ratio: float | None
    locked_low: float | None
    locked_high: float | None
    verdict: RepairName


class Verdict(Shape):
    """What the starts of one unit mean at one instant."""

    unit: str
    as_of: datetime
    standing: StandingName
    run_up: RunUp
    locked: Locked
    causes: dict[str, float | None]
    lockout_7d: float | None
    lockout_14d: float | None
    repair: Repair | None
    reasons: list[str]
    say: str
