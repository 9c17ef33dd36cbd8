"""What to measure in which order, what is acceptable, and what to bring.

References
----------
.. [1] ANSI C84.1, Table 1, range A: service voltage within 5 % of nominal.
.. [2] IEC 61000-4-30: a dip is a half-cycle RMS voltage below 90 % of the declared one.
.. [3] IEC 60252-1: tolerances marked on run capacitors. Capacitance from current and voltage: C = I / (2 pi f V).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypedDict

from api.words import FLAGGED


class Step(TypedDict):
    """One thing to measure."""

    measure: str
    accept: str
    source: str


Nameplate = Mapping[str, Any]


def _nominal_v(unit: Nameplate) -> float:
    # 230 V on a nameplate is the utilisation voltage of a 240 V service.
    volts = unit.get("volts")
    return 240.0 if volts is None or 220 <= volts <= 240 else float(volts)


def _supply(unit: Nameplate) -> list[Step]:
    nominal = _nominal_v(unit)
    return [
        {
            "measure": "Line voltage at the disconnect, compressor off",
            "accept": f"{0.95 * nominal:.0f} to {1.05 * nominal:.0f} V on a {nominal:.0f} V service",
            "source": "ANSI C84.1, range A",
        },
        {
            "measure": "Lowest line voltage during a start, at the contactor (min/max recording)",
            "accept": f"not below {0.9 * nominal:.0f} V (90 %)",
            "source": "IEC 61000-4-30, dip",
        },
        {
            "measure": "Voltage across each closed contactor pole and each lug while running",
            "accept": "both poles alike and only millivolts; look for heat marks",
            "source": "common practice",
        },
    ]


def _run_capacitor(unit: Nameplate) -> list[Step]:
    rated = unit.get("run_cap_uf")
    accept = (
        f"{0.9 * rated:.1f} to {1.1 * rated:.1f} µF (rated {rated:g} µF, 10 %), and within the tolerance on its case"
        if rated
        else "within the tolerance on its case, at most 10 % off"
    )
    return [
        {
            "measure": "Run capacitor, isolated and discharged: capacitance",
            "accept": accept,
            "source": "common practice; IEC 60252-1 for the marked tolerance",
        },
        {
            "measure": "Or running, by its current and voltage: µF = 2653 × A / V at 60 Hz (3183 at 50 Hz)",
            "accept": "the same limits",
            "source": "C = I / (2πfV)",
        },
    ]


def _start_gear(unit: Nameplate) -> list[Step]:
    gear = unit.get("start_gear")
    rated = unit.get("start_cap_uf")
    ptc: Step = {
        "measure": "PTC start device, cold and isolated: resistance",
        "accept": "100 to 180 % of its marked value (commonly 25 to 50 Ω)",
        "source": "common practice",
    }
    kit: list[Step] = [
        {
            "measure": "Start capacitor, isolated and discharged: capacitance",
            "accept": f"within the range on its case (fitted: {rated:g} µF)"
            if rated
            else "within the range on its case",
            "source": "marking on the case",
        },
        {
            "measure": "Start relay, isolated: contact at rest, coil resistance",
            "accept": "contact closed, near 0 Ω; coil continuous, commonly 1 to 10 kΩ",
            "source": "common practice",
        },
    ]
    if gear == "none":
        return []
    if gear == "ptc":
        return [ptc]
    return kit if gear == "relay_kit" else [ptc, *kit]


def _pressures(_unit: Nameplate) -> list[Step]:
    return [
        {
            "measure": "Delay between a stop and the next start, at the control",
            "accept": "5 min, or the maker's figure",
            "source": "common practice",
        },
        {
            "measure": "Suction and liquid pressure, 1, 3 and 5 min after a stop",
            "accept": "the difference falls steadily and is gone before the next start; past 2 min, weigh start assist",
            "source": "common practice; a valve with hard shut-off may hold pressure by design",
        },
    ]


def _heater(_unit: Nameplate) -> list[Step]:
    return [
        {
            "measure": "Crankcase heater current, compressor off and cold",
            "accept": "marked watts divided by line volts, within 10 %",
            "source": "common practice",
        },
        {
            "measure": "Compressor shell at the sump against the outdoor air, before a start",
            "accept": "clearly warmer than the air; the maker's figure where given",
            "source": "common practice; 12 to 24 h of heating after an outage",
        },
    ]


def _motor(unit: Nameplate) -> list[Step]:
    rla = unit.get("rla_a")
    return [
        {
            "measure": "Running current, pressures settled",
            "accept": f"not above the rated load current, {rla:g} A" if rla else "not above the rated load current",
            "source": "nameplate",
        },
        {
            "measure": "Windings, isolated: common to start, common to run, start to run",
            "accept": "the first two add up to the third",
            "source": "the windings are in series between start and run",
        },
        {
            "measure": "Insulation of the windings to earth, isolated",
            "accept": "not below the compressor maker's limit",
            "source": "maker's instructions",
        },
    ]


CHECKS = {
    "unequalised_pressures": (_pressures, _start_gear),
    "low_supply_voltage": (_supply,),
    "weak_run_capacitor": (_run_capacitor, _supply),
    "start_gear_failed": (_start_gear, _run_capacitor),
    "cold_soak": (_heater, _run_capacitor),
    "mechanical": (_run_capacitor, _motor),
    None: (_supply, _run_capacitor, _start_gear, _pressures),
}
"""What to measure for each cause, quickest and most telling first; None where no cause stands out."""


def measure(standing: str, cause: str | None, unit: Nameplate) -> list[Step]:
    """Return what to measure, in order, with what is acceptable; nothing for a unit that asks for no attention."""
    if standing == "silent":
        return [
            {
                "measure": "Logger: supply, signal, last message; thermostat call and outdoor disconnect",
                "accept": "logger on line and the unit called on, or silent for a reason",
                "source": "common practice",
            }
        ]
    if standing not in FLAGGED:
        return []
    steps: list[Step] = []
    if standing == "down":
        steps.append(
            {
                "measure": "The control's own message and fault history, before power is removed",
                "accept": "written down",
                "source": "common practice",
            }
        )
    for check in CHECKS.get(cause, CHECKS[None]):
        steps.extend(check(unit))
    return steps


def bring(standing: str, cause: str | None, unit: Nameplate) -> list[str]:
    """Return what to bring for the most likely cause, with the ratings that are known."""
    if standing not in FLAGGED:
        return []
    run_cap = unit.get("run_cap_uf")
    capacitor = (
        f"run capacitor {run_cap:g} µF, voltage as marked" if run_cap else "run capacitor, rating from the nameplate"
    )
    kit = "start kit (maker's list)"
    relay_or_ptc = "PTC start device" if unit.get("start_gear") == "ptc" else "start capacitor and relay"
    parts = {
        "unequalised_pressures": [kit, "gauges"],
        "low_supply_voltage": ["recording voltmeter", "contactor and lugs"],
        "weak_run_capacitor": [capacitor],
        "start_gear_failed": [relay_or_ptc if unit.get("start_gear") != "none" else kit],
        "cold_soak": ["crankcase heater", "clamp meter"],
        "mechanical": ["insulation tester", capacitor],
    }.get(cause or "", [capacitor, kit, "recording voltmeter"])
    if standing == "start_assist" and kit not in parts:
        return [*parts, kit]
    return parts
