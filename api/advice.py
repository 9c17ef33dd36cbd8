"""What the evidence says in words, what to measure in which order, what is acceptable, and what to bring.

References
----------
.. [1] ANSI C84.1, Table 1, range A: service voltage within 5 % of nominal.
.. [2] IEC 61000-4-30: a dip is a half-cycle RMS voltage below 90 % of the declared one.
.. [3] IEC 60252-1: tolerances marked on run capacitors. Capacitance from current and voltage: C = I / (2 pi f V).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypedDict

from api.words import CAUSES, FLAGGED, likely


class Step(TypedDict):
    """One thing to measure."""

    measure: str
    accept: str
    source: str


Nameplate = Mapping[str, Any]
SURE = 0.6
"""Probability from which a cause is named alone."""

SIGNS: dict[str, str] = {
    "unequalised_pressures": "slow after short stops, better after long ones",
    "low_supply_voltage": "the line is low before the start, or sags during it",
    "weak_run_capacitor": "slow after any stop, running current up, power factor down",
    "start_gear_failed": "a sudden step in the run-up time while the running current stays as it was",
    "cold_soak": "slow only after long stops in the cold",
    "mechanical": "slow after any stop, more power drawn while running",
}
"""What marks each cause in the starts."""


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
            "accept": "the difference falls steadily and is gone before the next start",
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
    kit = "start kit on the compressor maker's list"
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


def percent(fraction: float) -> str:
    """Return a fraction as a whole percentage."""
    return f"{100 * fraction:.0f} %"


def _causes(causes: Mapping[str, float | None]) -> list[str]:
    told = sorted(((p, name) for name, p in causes.items() if p is not None), reverse=True)
    if not told:
        return []
    top_p, top = told[0]
    if top == "none":
        return [f"No cause stands out: the starts look as they should ({percent(top_p)})."]
    first = f"{CAUSES.get(top, top).capitalize()}, {likely(top_p)} ({percent(top_p)}); its sign: {SIGNS.get(top, '')}."
    others = [f"{CAUSES.get(name, name)} ({percent(p)})" for p, name in told[1:] if p >= 0.1 and name != "none"]
    if others:
        return [first, f"Not ruled out: {', '.join(others)}."]
    return [first]


def _locked(locked: Mapping[str, Any]) -> str:
    low, high = locked["low"], locked["high"]
    words = "As many starts locked as expected"
    interval = ""
    if low is not None and high is not None:
        words = (
            "More starts locked than expected"
            if low > 1
            else "Fewer starts locked than expected"
            if high < 1
            else words
        )
        interval = f" (90 % interval {low:.1f} to {high:.1f})"
    expected = f"{locked['expected']:.2g} expected" if locked["expected"] is not None else "expected count not known"
    return f"{words}: {locked['seen']:g} of {locked['starts']}, {expected}, ratio {locked['ratio']:.1f}{interval}."


def evidence(body: Mapping[str, Any] | None) -> list[str]:
    """Return what the verdict rests on as sentences: words first, then the numbers with their 90 % interval."""
    if body is None:
        return ["Not judged yet."]
    told = []
    run_up, locked = body["run_up"], body["locked"]
    if run_up["drift"] is not None:
        way = "longer" if run_up["drift"] >= 0 else "shorter"
        interval = ""
        if run_up["low"] is not None and run_up["high"] is not None:
            interval = f", 90 % interval {100 * run_up['low']:+.0f} to {100 * run_up['high']:+.0f} %"
        told.append(
            f"Starts take {percent(abs(run_up['drift']))} {way} than this unit's own history leads one to expect"
            f" ({run_up['now_s']:.2f} s, expected {run_up['expected_s']:.2f} s{interval})."
        )
    if locked["ratio"] is not None:
        told.append(_locked(locked))
    elif not told:
        told.append(f"Too little heard to judge: {run_up['starts']} starts so far.")
    if body["standing"] in FLAGGED:
        told.extend(_causes(body.get("causes") or {}))
    return told
