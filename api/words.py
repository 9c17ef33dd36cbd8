"""The words of the pages: what each standing, cause, kind of work and reason is called."""

from __future__ import annotations

from analytics.verdict import StandingName

STANDINGS: dict[str, str] = {
    "down": "Down",
    "service": "Service",
    "start_assist": "Start assist",
    "watch": "Watch",
    "silent": "Silent",
    "learning": "Learning",
    "steady": "Steady",
}
"""Standings in the order of the call list."""

STANDING_MEANS: dict[str, str] = {
    "down": "locked out, not heating or cooling",
    "service": "likely to fail to start; a fault to mend",
    "start_assist": "likely to fail to start; a start kit would help",
    "watch": "may be starting harder than it should",
    "silent": "nothing heard for longer than usual",
    "learning": "too little heard to judge",
    "steady": "starts as it always has",
}
FLAGGED: tuple[StandingName, ...] = ("down", "service", "start_assist", "watch")
"""Standings that ask for attention."""

CAUSES: dict[str, str] = {
    "unequalised_pressures": "pressures not equalised",
    "low_supply_voltage": "low supply voltage",
    "weak_run_capacitor": "weak run capacitor",
    "start_gear_failed": "start gear failed",
    "cold_soak": "cold soak",
    "mechanical": "mechanical",
    "none": "no cause",
}

WORK: dict[str, str] = {
    "run_capacitor": "run capacitor replaced",
    "start_kit_fitted": "start kit fitted",
    "start_kit_replaced": "start kit replaced",
    "supply_wiring": "supply wiring mended",
    "crankcase_heater": "crankcase heater mended",
    "compressor": "compressor replaced",
    "refrigerant": "refrigerant circuit worked on",
    "metering_device": "metering device replaced",
    "sensor": "sensor replaced",
    "other": "other work",
}

WORK_FOR: dict[str, str] = {
    "unequalised_pressures": "start_kit_fitted",
    "low_supply_voltage": "supply_wiring",
    "weak_run_capacitor": "run_capacitor",
    "start_gear_failed": "start_kit_replaced",
    "cold_soak": "crankcase_heater",
    "mechanical": "compressor",
}
"""The kind of work that a cause most often leads to: it is offered first where a visit is logged."""

START_GEAR: dict[str, str] = {"none": "none", "ptc": "PTC", "relay_kit": "start kit with relay"}
METERING: dict[str, str] = {"txv": "thermostatic valve", "eev": "electronic valve", "orifice": "fixed orifice"}
OUTCOME: dict[str, str] = {"ran": "ran", "locked": "locked", "dropped": "dropped"}
KEPT: dict[str, str] = {
    "before_visit": "Last before the visit",
    "after_visit": "First after the visit",
    "locked": "Last that locked",
    "ran": "Last that ran",
}
"""Why a sampled start is kept."""
REPAIR: dict[str, str] = {
    "helped": "It helped",
    "no_change": "No change",
    "worse": "Worse since",
    "too_early": "Too early to tell",
}
UNTOLD = "Too little was known to tell whether it helped"
"""In place of ``too_early`` for a visit of which nothing more is being learned."""
QUARANTINE: dict[str, str] = {
    "bad_json": "not JSON that can be read",
    "missing_field": "a required field is missing",
    "impossible_value": "a value that no instrument can read",
    "too_many": "too many records in one message",
    "unknown_device": "from a device that is not registered",
    "clock_out_of_range": "dated outside the range that a clock can have",
    "bad_topic": "on a topic that is not in use",
    "bad_wave": "a wave that cannot be reduced",
    "bad_mapping": "not what the mapping of this logger expects",
    "key_taken": "another record stands under its unit, time and number",
}
REMEDY: dict[str, str] = {
    "bad_json": "The logger sends text that is not JSON. Its maker mends that; what came stays unreadable.",
    "missing_field": "The logger leaves out a field that it must send. Mend its settings or its program.",
    "impossible_value": "A sensor or its scale is wrong, or a field holds what it cannot. Mend that at the logger.",
    "too_many": "The logger puts too many records into one message. Have it send at most 500 at a time.",
    "unknown_device": "Add the device, with the unit that it reports for; then put its records through again.",
    "clock_out_of_range": "Set the logger’s clock. What it dated wrongly stays here.",
    "bad_topic": "The logger publishes under another topic than its own. Mend its settings, or give it a mapping.",
    "bad_wave": "The recording is too short, holds no start, or its scale is wrong. Mend the logger’s settings.",
    "bad_mapping": "Mend the mapping of this kind of logger; then put its records through again.",
    "key_taken": "What came first stands, and this is not used. See why the logger gives one number to two records, or "
    "changes what it sent; then take it off this list with halfsecond quarantine drop.",
}
"""What mends the cause of each reason."""


def plain(code: str) -> str:
    """Return a machine-readable code as words."""
    return code.replace("_", " ")


def likely(probability: float) -> str:
    """Return how sure a probability from 0 to 1 lets one be, in words."""
    if probability >= 0.9:
        return "almost certainly"
    if probability >= 0.7:
        return "very likely"
    if probability >= 0.5:
        return "more likely than not"
    if probability >= 0.2:
        return "perhaps"
    return "unlikely"
