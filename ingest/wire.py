"""The wire contract, version 1: what a logger may publish, as typed structs that validate once at the edge.

Topics are ``halfsecond/1/{device}/{starts|rests|events|status}``. A payload is one JSON object or an array of up
to 500 of them. Field names, units and ranges are described for logger makers in ``WIRE.md``; the JSON Schema and the
AsyncAPI document are generated from these structs by ``ingest.documents``.

The ranges are those of what an instrument on a single-phase unit can possibly read, not of what is usual: a value
outside them is a fault of the logger, and is quarantined rather than stored.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

TOPIC_ROOT = "halfsecond/1"
KINDS = ("starts", "rests", "events", "status")
MAX_ITEMS = 500
"""Largest number of objects in one payload."""

Kind = Literal["starts", "rests", "events", "status"]
Outcome = Literal["ran", "locked", "dropped"]
Mode = Literal["heating", "cooling", "defrost"]
EventName = Literal["lockout", "power_cycle", "reset"]

Seq = Annotated[int, Meta(ge=0, le=2**63 - 1, description="rises by one for every record a device makes of a kind")]
At = Annotated[datetime, Meta(tz=True, description="RFC 3339 with offset")]

Seconds = Annotated[float, Meta(ge=0, le=120)]
LongSeconds = Annotated[float, Meta(ge=0, le=315_360_000)]
Amperes = Annotated[float, Meta(ge=0, le=2_000)]
Volts = Annotated[float, Meta(ge=0, le=1_000)]
Watts = Annotated[float, Meta(ge=0, le=200_000)]
PowerFactor = Annotated[float, Meta(ge=-1, le=1)]
Degrees = Annotated[float, Meta(ge=0, le=180)]
Celsius = Annotated[float, Meta(ge=-90, le=70)]
KilopascalsGauge = Annotated[float, Meta(ge=-101.325, le=10_000)]


class Wave(msgspec.Struct, frozen=True, kw_only=True):
    """A sampled start: little-endian 16-bit counts in base64, with amperes and volts per count.

    ``rate_hz`` samples a second (1 to 20 kHz), ``hz`` the nominal mains frequency.
    """

    rate_hz: Annotated[float, Meta(ge=1_000, le=20_000)]
    hz: Literal[50, 60]
    current: Annotated[bytes, Meta(min_length=4, max_length=2_000_000)]
    current_a: Annotated[float, Meta(gt=0, le=100, description="amperes per count")]
    voltage: Annotated[bytes, Meta(max_length=2_000_000)] | None = None
    voltage_v: Annotated[float, Meta(gt=0, le=100, description="volts per count")] | None = None

    def __post_init__(self) -> None:
        """Refuse a wave whose parts do not fit together."""
        if len(self.current) % 2:
            raise ValueError("wave.current: an odd number of bytes is not 16-bit samples")
        if self.voltage is not None:
            if self.voltage_v is None:
                raise ValueError("wave.voltage_v: needed where wave.voltage is given")
            if len(self.voltage) != len(self.current):
                raise ValueError("wave.voltage: must have as many samples as wave.current")


class Start(msgspec.Struct, frozen=True, kw_only=True):
    """One energising of the compressor.

    ``seq`` and ``at`` are required, and either ``outcome`` or ``wave``; everything else is null or absent where it is
    not fitted. ``retry`` counts the attempts since the last one asked for by the thermostat (0: a first attempt).
    """

    seq: Seq
    at: At
    outcome: Outcome | None = None
    run_up_s: Annotated[float, Meta(ge=0, le=60)] | None = None
    peak_a: Amperes | None = None
    run_a: Amperes | None = None
    run_w: Watts | None = None
    run_pf: PowerFactor | None = None
    line_v: Volts | None = None
    line_min_v: Volts | None = None
    close_deg: Degrees | None = None
    off_s: LongSeconds | None = None
    ran_s: LongSeconds | None = None
    outdoor_c: Celsius | None = None
    suction_kpa: KilopascalsGauge | None = None
    liquid_kpa: KilopascalsGauge | None = None
    mode: Mode | None = None
    stage: Annotated[int, Meta(ge=1, le=2)] | None = None
    retry: Annotated[int, Meta(ge=0, le=1_000)] | None = None
    wave: Wave | None = None

    def __post_init__(self) -> None:
        """Refuse a start that says neither how it went nor what was measured."""
        if self.outcome is None and self.wave is None:
            raise ValueError("outcome: needed where there is no wave")


class Rest(msgspec.Struct, frozen=True, kw_only=True):
    """The pressures' decay after a stop: ``at`` the instant of stopping, ``t_s`` seconds after it, kPa gauge."""

    seq: Seq
    at: At
    t_s: Annotated[list[Annotated[float, Meta(ge=0, le=86_400)]], Meta(min_length=1, max_length=10_000)]
    suction_kpa: list[KilopascalsGauge | None] | None = None
    liquid_kpa: list[KilopascalsGauge | None] | None = None
    outdoor_c: Celsius | None = None

    def __post_init__(self) -> None:
        """Refuse series of unequal length, or times that do not rise."""
        for name in ("suction_kpa", "liquid_kpa"):
            series = getattr(self, name)
            if series is not None and len(series) != len(self.t_s):
                raise ValueError(f"{name}: must be as long as t_s")
        if any(b <= a for a, b in zip(self.t_s, self.t_s[1:], strict=False)):
            raise ValueError("t_s: must rise")


class Event(msgspec.Struct, frozen=True, kw_only=True):
    """What the control or the supply reported: the control's own lockout, a power cycle, a reset."""

    seq: Seq
    at: At
    event: EventName
    detail: Annotated[str, Meta(max_length=2_000)] | None = None


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """Hourly and as the last will, retained: is the device on line, and the highest ``seq`` it has sent.

    ``at`` is the device's own clock as it sends the status: a clock that is off is seen by it.
    """

    online: bool
    firmware: Annotated[str, Meta(max_length=200)] | None = None
    clock_ok: bool | None = None
    sent: Annotated[int, Meta(ge=0, le=2**63 - 1)] | None = None
    at: At | None = None


START_FIELDS: tuple[str, ...] = tuple(f for f in Start.__struct_fields__ if f != "wave")
"""Field names of a start in storage order (the wave itself is reduced to these)."""
