"""What the sizing of start assist takes and gives: plain values, every figure with its 90 % interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analytics.conditions import How, Pressure, Voltage

Finding = Literal["would_help", "not_first", "fitted", "not_needed", "beyond", "unexplained", "too_little"]


@dataclass(frozen=True, kw_only=True)
class Plate:
    """The unit's record; None where it is not known. Units as in the units file."""

    tons: float | None = None
    rla_a: float | None = None
    lra_a: float | None = None
    volts: float | None = None
    run_cap_uf: float | None = None
    start_gear: str | None = None
    start_cap_uf: float | None = None
    metering: str | None = None
    compressor: Literal["scroll", "rotary", "reciprocating"] | None = None
    refrigerant: str | None = None


@dataclass(frozen=True)
class Spread:
    """A figure with its 90 % interval; None where the motor does not start."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Case:
    """A start at the worst recent conditions with one size of start capacitor, or with what is fitted.

    ``total_uf`` is start and run capacitance, which add; ``stalled`` the share of the points of closing at which the
    motor does not start; ``in_circuit_s`` the longest time that the start capacitor is in; voltages are momentary.
    """

    name: str
    start_cap_uf: float
    total_uf: float
    torque_nm: Spread
    run_up_s: Spread
    stalled: Spread
    in_circuit_s: float | None
    capacitor_peak_v: float
    relay_peak_v: float


@dataclass(frozen=True)
class Ratings:
    """What to look for among the maker's listed kits.

    From ``low_uf`` to ``high_uf``: half to nine tenths of the greatest torque that any size gives, and no less than
    starts the hardest of the likely machines with torque to spare. ``capacitor_v`` is the largest RMS voltage across
    the start capacitor while it is in; the relay should pick up between ``pick_up_low_v`` and ``pick_up_high_v`` RMS
    across the auxiliary winding; ``in_circuit_s`` is the longest time that the capacitor is in.
    """

    low_uf: float
    high_uf: float
    capacitor_v: float
    pick_up_low_v: float
    pick_up_high_v: float
    in_circuit_s: float | None


@dataclass(frozen=True)
class Match:
    """The plate's motor against the unit's own starts at their usual conditions; None where there are too few.

    Medians [s], of the starts measured and of the machines drawn from the plate alone; ``fits`` where some of those
    explain the starts.
    """

    measured_s: float | None
    modelled_s: float | None
    starts: int
    fits: bool | None


@dataclass(frozen=True)
class Against:
    """One thing that speaks for or against start assist: the cause, its probability, and what to do."""

    cause: str
    probability: float | None
    wrong: bool
    text: str


@dataclass(frozen=True)
class Curve:
    """The middle one of the likely machines over the size of the start capacitor, at the worst recent conditions.

    Starting torque [N m], median run-up time [s] (None where it does not start) and the share of the points of
    closing at which it stalls; ``load_nm`` is the torque that the load asks at standstill.
    """

    start_cap_uf: tuple[float, ...]
    torque_nm: tuple[float, ...]
    run_up_s: tuple[float | None, ...]
    stalled: tuple[float, ...]
    load_nm: float


@dataclass(frozen=True)
class Sizing:
    """What start assist would do; see the fields' own classes."""

    finding: Finding
    say: str
    line: Voltage
    remaining: Pressure
    remaining_kpa: Spread
    remaining_usual_kpa: float
    source_ohm: float
    source_how: How
    locked: int
    starts: int
    match: Match
    as_is: Case
    cases: tuple[Case, ...]
    ratings: Ratings | None
    curve: Curve
    speaks: tuple[Against, ...]
    assumptions: tuple[str, ...]
