"""Shapes of the answer on start assist, as the OpenAPI document describes them."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import Field

from analytics.assisted import Finding
from api.shape import Shape


class Interval(Shape):
    """A figure with its 90 % interval; null where the motor does not come up to speed."""

    value: float | None
    low: float | None
    high: float | None


class AssistCase(Shape):
    """A start at the worst recent conditions with one size of start capacitor, or with what is fitted."""

    name: Literal["as_is", "least", "common", "most", "too_large"]
    start_cap_uf: float
    total_uf: float = Field(description="start and run capacitance, which add")
    torque_nm: Interval = Field(description="at standstill")
    run_up_s: Interval = Field(description="median over the points of closing on the voltage wave")
    stalled: Interval = Field(description="share of the points of closing at which the motor does not start")
    in_circuit_s: float | None = Field(description="longest time that the start capacitor is in")
    capacitor_peak_v: float = Field(description="largest momentary voltage over the capacitors")
    relay_peak_v: float = Field(description="largest momentary voltage over the relay's coil")


class AssistRatings(Shape):
    """What to look for among the equipment maker's listed kits."""

    low_uf: float
    high_uf: float
    capacitor_v: float = Field(description="largest RMS voltage over the start capacitor while it is in")
    pick_up_low_v: float = Field(description="RMS over the auxiliary winding")
    pick_up_high_v: float
    in_circuit_s: float | None


class AssistCondition(Shape):
    """A condition at its worst and usually, over how many starts or rests, and how it is known."""

    worst: float
    usual: float
    values: int
    how: Literal["measured", "from rests", "assumed"]


class AssistPressure(AssistCondition):
    """Pressure difference left at energising [kPa], with the 90 % interval of the worst."""

    worst_low: float | None
    worst_high: float | None


class AssistMatch(Shape):
    """The motor by its nameplate against the unit's own starts at their usual conditions."""

    measured_s: float | None
    from_plate_s: float | None
    starts: int
    fits: bool | None


class AssistConditions(Shape):
    """What the recent starts met; one start in a hundred lies beyond the worst."""

    days: int
    starts: int
    locked: int
    line_v: AssistCondition
    remaining_kpa: AssistPressure
    source_ohm: float
    source_how: Literal["measured", "assumed"]
    run_up: AssistMatch


class AssistCurve(Shape):
    """Torque at standstill and run-up time over the size of the start capacitor, at the worst recent conditions."""

    start_cap_uf: list[float]
    torque_nm: list[float]
    run_up_s: list[float | None]
    load_nm: float


class AssistCause(Shape):
    """A cause, how likely it is, and whether start assist is the wrong answer to it."""

    cause: str
    probability: float | None
    wrong: bool
    text: str


class Assist(Shape):
    """What start assist would do for one unit; the equipment maker's listed kit decides."""

    unit: str
    site: str | None
    zone: str
    as_of: datetime | None
    now: datetime
    finding: Finding
    say: str
    conditions: AssistConditions
    cases: list[AssistCase]
    ratings: AssistRatings | None
    curve: AssistCurve
    causes: list[AssistCause]
    always: list[str]
    assumptions: list[str]
    cautions: list[str]
