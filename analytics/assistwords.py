"""What is said about start assist: whether it is the right answer, the finding in sentences, and the assumptions."""

from __future__ import annotations

from collections.abc import Mapping

from analytics.assisted import Against, Case, Finding, Plate, Ratings, Spread
from analytics.conditions import TAU_S, TAU_UNKNOWN_S, How, Pressure, Voltage

LIKELY = 0.4
"""Probability from which the likeliest cause decides whether start assist comes first."""
LONG_S = 0.5
"""A start at the worst conditions that may take this long is not left as it is."""

WRONG: dict[str, str] = {
    "weak_run_capacitor": "Measure the run capacitor first and replace it if it is weak: start assist would hide it,"
    " and the motor would go on running hot with too little capacitance.",
    "low_supply_voltage": "Mend the supply first: start assist shortens a start but does not lower the current drawn,"
    " so the voltage sags as deep as before.",
    "mechanical": "Find out first why the compressor turns hard: start assist would force it round, not mend it.",
    "start_gear_failed": "Mend or replace the start gear that is fitted: a second one beside it is no remedy.",
    "cold_soak": "See to the crankcase heater first: started hard against liquid refrigerant, a compressor can break.",
}
"""Causes to which start assist is the wrong answer, and what to do instead."""
RIGHT = "Pressures that are not equalised by the next start are what start assist is for."


def speaks(told: Mapping[str, float]) -> tuple[Against, ...]:
    """Return what speaks for and against start assist, the likeliest cause first."""
    right = Against("unequalised_pressures", told.get("unequalised_pressures"), wrong=False, text=RIGHT)
    wrong = [Against(cause, told.get(cause), wrong=True, text=text) for cause, text in WRONG.items()]
    return tuple(sorted([right, *wrong], key=lambda one: -(one.probability or 0.0)))


def _top(told: Mapping[str, float]) -> str | None:
    """Return the likeliest cause where it is likely enough to decide."""
    named = {cause: p for cause, p in told.items() if cause != "none"}
    top = max(named, key=lambda cause: named[cause], default=None)
    return top if top is not None and named[top] >= max(LIKELY, told.get("none", 0.0)) else None


def finding(
    plate: Plate,
    as_is: Case,
    common: Case,
    ratings: Ratings | None,
    told: Mapping[str, float],
    *,
    often: bool,
    little: bool,
) -> Finding:
    """Return what the sizing comes to.

    Parameters
    ----------
    plate : Plate
    as_is, common : Case
        As the unit is, and with a start capacitor of common size.
    ratings : Ratings, optional
        None where no size starts the motor with torque to spare.
    told : mapping
        Probability of each cause.
    often : bool
        Whether more of the recent first tries locked than chance would have.
    little : bool
        Whether too few starts are known.
    """
    top = _top(told)
    if top in WRONG:
        return "not_first"
    if plate.start_gear == "relay_kit":
        return "fitted"
    if ratings is None or common.run_up_s.high is None:
        return "beyond"
    if little and top is None:
        return "too_little"
    quick = as_is.stalled.high == 0.0 and as_is.run_up_s.high is not None and as_is.run_up_s.high < LONG_S
    if quick and top is None:
        return "unexplained" if often else "not_needed"
    return "would_help"


def _takes(figure: Spread) -> str:
    if figure.value is None:
        return "would not come up to speed"
    high = "not at all" if figure.high is None else f"{figure.high:.2f} s"
    return f"would take {figure.value:.2f} s (90 % interval {figure.low or 0.0:.2f} s to {high})"


def say(what: Finding, as_is: Case, common: Case, told: Mapping[str, float]) -> str:
    """Return the finding in two or three sentences."""
    now = f"At its worst recent conditions a start {_takes(as_is.run_up_s)} as the unit is"
    helped = f"with {common.start_cap_uf:.0f} µF on a relay it {_takes(common.run_up_s)}"
    first = WRONG.get(_top(told) or "", "")
    words: dict[Finding, str] = {
        "would_help": f"{now}; {helped}. The equipment maker's listed kit decides.",
        "not_first": f"Start assist is not the first answer here. {first}",
        "fitted": f"A start kit is fitted already. {now}, if the kit does what it should: where starts are slower than"
        " that, test the kit before anything is added.",
        "not_needed": f"{now}: nothing calls for start assist.",
        "beyond": f"{now}, and no size of start capacitor lets one count on it. Find first what holds the motor back.",
        "unexplained": f"{now}, and yet starts locked more often than by chance: what is known of their conditions"
        " does not explain it. Find why first.",
        "too_little": "Too few starts are known to say: what follows rests on the nameplate and on assumptions.",
    }
    return words[what]


def assumptions(
    plate: Plate,
    line: Voltage,
    left: Pressure,
    source: How,
    told: Mapping[str, float],
    *,
    refrigerant_known: bool,
    held: bool,
) -> list[str]:
    """Return what stands in for what was not measured, and what the model takes for granted."""
    said = ["single-phase with a run capacitor, 60 Hz; run capacitor and start gear as good as new"]
    if line.how == "assumed":
        said.append(f"line voltage not measured: {line.worst:.0f} to {line.highest:.0f} V, range A of ANSI C84.1")
    if source == "assumed":
        said.append("impedance of the supply not measured: that of a common service")
    if left.how == "assumed":
        tau_s = TAU_S.get(plate.metering or "", TAU_UNKNOWN_S)
        said.append(
            "pressures not measured: at a stop those of saturation 8 K below and 12 K above the air, their difference"
            f" falling with a time constant of {tau_s:.0f} s"
        )
        slow = told.get("unequalised_pressures", 0.0)
        if slow >= 0.01:
            said.append(f"twice that time constant with the probability of unequalised pressures, {100 * slow:.0f} %")
        if not refrigerant_known:
            said.append("refrigerant's pressures taken as those of R-410A")
    if held:
        said.append(
            "starts locked and pressures are the likely cause: what is left at the worst is taken as at least what the"
            " motor does not start against as it is"
        )
    if plate.start_gear is None:
        said.append("no start gear fitted, since the record does not say")
    said.append(
        "friction within 20 %, inertia 12 %, share of the pressure felt 25 %, rotor resistance 8 % (one standard"
        " deviation), then weighted by how well each explains the unit's own usual run-up time"
    )
    return said
