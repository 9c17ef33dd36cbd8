"""What files carry besides starts, rests and events: units, visits and forecasts, one struct a record."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import Meta

from ingest.wire import At, Celsius

Name = Annotated[str, Meta(min_length=1, max_length=200)]
Positive = Annotated[float, Meta(gt=0, le=1_000_000)]

StartGear = Literal["none", "ptc", "relay_kit"]
Metering = Literal["txv", "eev", "orifice"]
Compressor = Literal["scroll", "rotary", "reciprocating"]
Work = Literal[
    "run_capacitor",
    "start_kit_fitted",
    "start_kit_replaced",
    "supply_wiring",
    "crankcase_heater",
    "compressor",
    "refrigerant",
    "metering_device",
    "sensor",
    "other",
]


class Unit(msgspec.Struct, frozen=True, kw_only=True):
    """A unit under agreement and its nameplate; all but ``unit`` optional."""

    unit: Name
    site: Name | None = None
    zone: Annotated[str, Meta(description="IANA time zone of the site")] | None = None
    lat: Annotated[float, Meta(ge=-90, le=90)] | None = None
    lon: Annotated[float, Meta(ge=-180, le=180)] | None = None
    tons: Positive | None = None
    refrigerant: str | None = None
    rla_a: Positive | None = None
    lra_a: Positive | None = None
    volts: Positive | None = None
    run_cap_uf: Positive | None = None
    start_gear: StartGear | None = None
    start_cap_uf: Positive | None = None
    metering: Metering | None = None
    compressor: Compressor | None = None
    stages: Annotated[int, Meta(ge=1, le=2)] | None = None
    model: str | None = None
    installed: Annotated[str, Meta(description="ISO 8601 date")] | None = None
    device: Name | None = None
    area: Name | None = None

    def __post_init__(self) -> None:
        """Refuse a date of installation that is none, and a time zone that nobody knows."""
        if self.zone is not None:
            try:
                ZoneInfo(self.zone)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError("zone: not an IANA time zone such as America/Denver") from None
        if self.installed is not None:
            try:
                datetime.fromisoformat(self.installed)
            except ValueError:
                raise ValueError("installed: not an ISO 8601 date such as 2024-05-17") from None


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """Work done at a unit: it ends a segment of that unit's history, and starts a before/after."""

    unit: Name
    at: At
    work: Annotated[list[Work], Meta(min_length=1)]
    readings: dict[str, Any] = {}
    parts: list[str] = []
    note: str | None = None


class ForecastHour(msgspec.Struct, frozen=True, kw_only=True):
    """The air temperature forecast for one hour."""

    at: At
    outdoor_c: Celsius


class Forecast(msgspec.Struct, frozen=True, kw_only=True):
    """One issue of the forecast for a site."""

    site: Name
    issued: At
    hours: Annotated[list[ForecastHour], Meta(min_length=1, max_length=1_000)]
