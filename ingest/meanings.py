"""What each field of the contract means, in one line with its unit: for the schemas and for WIRE.md."""

from __future__ import annotations

from typing import Any

MEANINGS: dict[str, str] = {
    "seq": "rises by one for every record that a device makes of a kind, across restarts and power cuts",
    "at": "RFC 3339 with offset: the instant of energising (starts), of stopping (rests), of the event or the visit; "
    "of a status, what the logger's clock says as it is sent",
    "outcome": "`ran`, `locked` (locked rotor: never came up to speed, tripped or was cut) or `dropped` (power removed "
    "before either was clear)",
    "run_up_s": "s, from energising until the current has fallen to running",
    "peak_a": "A, largest half-cycle RMS after the first cycle",
    "run_a": "A RMS, once running",
    "run_w": "W, once running",
    "run_pf": "power factor, once running",
    "line_v": "V RMS, at rest just before the start",
    "line_min_v": "V, lowest half-cycle RMS during the start",
    "close_deg": "degrees, point on the voltage wave at which the contactor closed",
    "off_s": "s, since the compressor last stopped",
    "ran_s": "s, how long it ran before that stop",
    "outdoor_c": "°C, outdoor air",
    "suction_kpa": "kPa gauge, suction pressure (a rest: one value for each of `t_s`)",
    "liquid_kpa": "kPa gauge, liquid line pressure (a rest: one value for each of `t_s`)",
    "mode": "`heating`, `cooling` or `defrost`",
    "stage": "capacity stage, 1 or 2",
    "retry": "attempts since the last one that the thermostat asked for; 0 is a first attempt",
    "wave": "the sampled start, which the server reduces to the figures above",
    "rate_hz": "samples a second",
    "hz": "nominal mains frequency, 50 or 60",
    "current": "base64 of little-endian signed 16-bit counts",
    "current_a": "amperes per count",
    "voltage": "as `current`, with as many samples, taken at the same instants",
    "voltage_v": "volts per count; needed with `voltage`",
    "t_s": "s after stopping, rising",
    "event": "`lockout` (the control's own report), `power_cycle` or `reset`",
    "detail": "what the control said, as it said it",
    "online": "false in the last will",
    "firmware": "the logger's version",
    "clock_ok": "whether the logger's clock has been set since it was last without power",
    "sent": "highest `seq` sent so far, so that a gap is seen",
    "unit": "name of the heat pump, as the contractor knows it",
    "site": "name of the place",
    "zone": "IANA time zone of the site",
    "lat": "degrees north",
    "lon": "degrees east",
    "tons": "nominal capacity, tons of refrigeration (1 ton = 3.517 kW)",
    "refrigerant": "ASHRAE 34 number, such as R-32",
    "rla_a": "A, rated load current of the nameplate",
    "lra_a": "A, locked rotor current of the nameplate",
    "volts": "V, rated voltage of the nameplate",
    "run_cap_uf": "µF, run capacitor",
    "start_gear": "`none`, `ptc` or `relay_kit`",
    "start_cap_uf": "µF, start capacitor",
    "metering": "`txv`, `eev` or `orifice`",
    "compressor": "`scroll`, `rotary` or `reciprocating`",
    "stages": "capacity stages, 1 or 2",
    "model": "the maker's model",
    "installed": "ISO 8601 date",
    "device": "the logger that reports for the unit",
    "area": "the part of the country or town that the site is in, for planning rounds",
    "work": "what was done, at least one of `run_capacitor`, `start_kit_fitted`, `start_kit_replaced`, "
    "`supply_wiring`, `crankcase_heater`, `compressor`, `refrigerant`, `metering_device`, `sensor`, `other`",
    "readings": "what was measured: name with its unit to value",
    "parts": "what was fitted",
    "note": "free text",
    "issued": "RFC 3339 with offset: when the forecast was made",
    "hours": "the hours that it covers, each with `at` and `outdoor_c`",
}

_START: dict[str, Any] = {
    "seq": 1842,
    "at": "2026-01-14T12:03:07.250Z",
    "outcome": "ran",
    "run_up_s": 0.21,
    "peak_a": 71.4,
    "run_a": 11.2,
    "run_w": 2480,
    "run_pf": 0.93,
    "line_v": 241.3,
    "line_min_v": 226.8,
    "close_deg": 87.5,
    "off_s": 1260,
    "ran_s": 840,
    "outdoor_c": -11.5,
    "suction_kpa": 395,
    "liquid_kpa": 1210,
    "mode": "heating",
    "stage": 1,
    "retry": 0,
}

EXAMPLES: dict[str, list[dict[str, Any]]] = {
    "starts": [
        _START,
        {"seq": 1843, "at": "2026-01-14T12:31:40-07:00", "outcome": "locked", "peak_a": 79.9, "off_s": 45, "retry": 1},
    ],
    "rests": [
        {
            "seq": 977,
            "at": "2026-01-14T12:17:07Z",
            "t_s": [0, 10, 20, 40, 80, 160],
            "suction_kpa": [395, 520, 610, 700, 748, 760],
            "liquid_kpa": [1610, 1320, 1100, 900, 800, None],
            "outdoor_c": -11.5,
        }
    ],
    "events": [{"seq": 31, "at": "2026-01-14T12:35:12Z", "event": "lockout", "detail": "third attempt failed"}],
    "status": [
        {"online": True, "firmware": "2.4.1", "clock_ok": True, "sent": 1843, "at": "2026-01-14T13:00:00Z"},
        {"online": False},
    ],
    "units": [
        {
            "unit": "u-0001",
            "site": "s-0001",
            "zone": "America/Denver",
            "lat": 40.1,
            "lon": -106.9,
            "tons": 3,
            "refrigerant": "R-410A",
            "rla_a": 15.3,
            "lra_a": 83,
            "volts": 240,
            "run_cap_uf": 45,
            "start_gear": "none",
            "metering": "txv",
            "compressor": "scroll",
            "stages": 1,
            "model": "model 1",
            "installed": "2019-06-04",
            "device": "d-0001",
        }
    ],
    "visits": [
        {
            "unit": "u-0001",
            "at": "2026-01-16T10:20:00-07:00",
            "work": ["run_capacitor"],
            "readings": {"run_cap_uf": 31.8},
            "parts": ["run capacitor 45 µF"],
            "note": "measured low, replaced",
        }
    ],
    "forecasts": [
        {
            "site": "s-0001",
            "issued": "2026-01-14T06:00:00Z",
            "hours": [
                {"at": "2026-01-14T07:00:00Z", "outdoor_c": -12.1},
                {"at": "2026-01-14T08:00:00Z", "outdoor_c": -12.9},
            ],
        }
    ],
}
"""Examples of every record, invented; a test feeds those of the wire through the decoder."""
