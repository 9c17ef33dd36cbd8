"""The verdict: what is said of one unit at one date, as typed structs that encode to the published JSON object.

A unit that is still learning has null for every figure except the counts.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal, get_args

import msgspec

CauseName = Literal[
    "unequalised_pressures",
    "low_supply_voltage",
    "weak_run_capacitor",
    "start_gear_failed",
    "cold_soak",
    "mechanical",
]
StandingName = Literal["learning", "steady", "watch", "start_assist", "service", "down", "silent"]
CAUSES: tuple[CauseName, ...] = get_args(CauseName)
HYPOTHESES = (*CAUSES, "none")
STANDINGS: tuple[StandingName, ...] = get_args(StandingName)

RepairName = Literal["helped", "no_change", "worse", "too_early"]


class RunUp(msgspec.Struct, frozen=True):
    """How the run-up time stands against the unit's own baseline under the same conditions.

    ``starts`` counts the starts since the unit's history last began anew; ``drift`` is a fraction with a 90 % interval.
    """

    starts: int
    expected_s: float | None = None
    now_s: float | None = None
    drift: float | None = None
    low: float | None = None
    high: float | None = None
    since: str | None = None
    alarm: bool = False


class Locked(msgspec.Struct, frozen=True):
    """Locked first attempts of the last 28 to 34 days against the count that the conditions lead one to expect."""

    starts: int
    seen: int
    expected: float | None = None
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    since: str | None = None
    alarm: bool = False


class Causes(msgspec.Struct, frozen=True):
    """Posterior probabilities of the six causes and of none; they sum to one, or are all null."""

    unequalised_pressures: float | None = None
    low_supply_voltage: float | None = None
    weak_run_capacitor: float | None = None
    start_gear_failed: float | None = None
    cold_soak: float | None = None
    mechanical: float | None = None
    none: float | None = None


class Repair(msgspec.Struct, frozen=True):
    """What the last visit changed, at equal conditions, with 90 % intervals."""

    visit: str
    run_up_change: float | None
    low: float | None
    high: float | None
    locked_ratio: float | None
    locked_low: float | None
    locked_high: float | None
    verdict: RepairName


class Verdict(msgspec.Struct, frozen=True):
    """One unit at one date."""

    unit: str
    as_of: str
    standing: StandingName
    run_up: RunUp
    locked: Locked
    causes: Causes
    lockout_7d: float | None
    lockout_14d: float | None
    repair: Repair | None
    reasons: list[str]
    say: str


def stamp(when: datetime) -> str:
    """Write an instant as RFC 3339 in UTC with whole seconds: ``2031-01-14T12:00:00Z``."""
    return when.strftime("%Y-%m-%dT%H:%M:%SZ")


_encoder = msgspec.json.Encoder()


def encode(verdict: Verdict) -> bytes:
    """Encode a verdict as one JSON object without a line end."""
    return _encoder.encode(verdict)
