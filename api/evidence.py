"""What a verdict rests on, in sentences: words first, then the numbers with their interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analytics import grounds
from analytics.standing import WEATHER_AHEAD
from api.quantities import MINUS
from api.words import CAUSES, FLAGGED, likely

FAR_MORE = 3.0
"""Lower end of the ratio of locked starts from which they are called far more than expected."""

SIGNS: dict[str, str] = {
    "unequalised_pressures": "slow after short stops, better after long ones",
    "low_supply_voltage": "the line is low before the start, or sags during it",
    "weak_run_capacitor": "slow after any stop, running current up, power factor down",
    "start_gear_failed": "a sudden step in the run-up time while the running current stays as it was",
    "cold_soak": "slow only after long stops in the cold",
    "mechanical": "slow after any stop, more power drawn while running",
}
"""What marks each cause in the starts."""


def percent(fraction: float) -> str:
    """Return a fraction as a whole percentage; one that only rounds to none or all says so."""
    if 0 < fraction < 0.005:
        return "under 1 %"
    if 0.995 <= fraction < 1:
        return "over 99 %"
    return f"{100 * fraction:.0f} %"


ALSO = {
    "lockout_within_14d": "locked out within the last fortnight",
    "repair_no_change": "no easier since the last visit",
    "repair_worse": "harder since the last visit",
}
"""What the short sentence adds for these reasons."""
SILENT = "Nothing heard for longer than usual: ask whether it is switched off; else look at its logger."
"""What is said of a silent unit, and what to do first."""
ALONE = {"lockout_now": "locked out, and no run since", "silent": "nothing heard for longer than usual"}
"""What it says of a unit that has no figures."""
WANTED = {
    "days_below_7": "a week with starts on at least four days",
    "starts_below_30": "30 starts with a run-up time",
    "no_run_up_times": "run-up times, which the logger does not tell",
    "conditions_lost": "all the temperatures, voltages and rests that it told before",
}
"""What a unit without figures lacks, by reason."""


def _causes(causes: Mapping[str, float | None], reasons: Sequence[str]) -> list[str]:
    told = sorted(((p, name) for name, p in causes.items() if p is not None), reverse=True)
    if not told:
        return []
    top_p, top = told[0]
    if top == "none":
        return [f"No cause stands out: the starts look as they should ({chance(top_p)})."]
    first = f"{CAUSES.get(top, top).capitalize()}, {likely(top_p)} ({chance(top_p)})"
    found = _grounds(top, reasons)
    first += "." if found else f"; its sign: {SIGNS.get(top, '')}."
    others = [f"{CAUSES.get(name, name)} ({chance(p)})" for p, name in told[1:] if p >= 0.1 and name != "none"]
    ruled = [f"Not ruled out: {', '.join(others)}."] if others else []
    return [first, *found, *ruled]


def _grounds(cause: str, reasons: Sequence[str]) -> list[str]:
    """Return what speaks for a cause and then what speaks against it, a line each, its weight first."""
    told = [text.rpartition(": ") for code in reasons if (text := grounds.words(code, cause))]
    lines = [f"{weight} for it: {text}." for text, _, weight in told if weight.startswith("+")]
    lines += [f"{weight} against it: {text}." for text, _, weight in told if not weight.startswith("+")]
    if lines:
        lines[0] = f"{lines[0].removesuffix('.')} (each +1 makes the cause 2.7 times likelier)."
    return lines


def chance(probability: float) -> str:
    """Return a probability as a whole percentage; never none or certain, since no estimate is."""
    return "under 1 %" if probability < 0.005 else "over 99 %" if probability >= 0.995 else percent(probability)


def _many(low: float, high: float) -> str:
    """Return how many starts locked, in words, from the 90 % interval of the ratio to the expected count."""
    if low > 1:
        return "Far more starts locked than expected" if low > FAR_MORE else "More starts locked than expected"
    return "Fewer starts locked than expected" if high < 1 else "About as many starts locked as expected"


def _locked(locked: Mapping[str, Any]) -> str:
    low, high = locked["low"], locked["high"]
    counted = f"{locked['seen']:g} of {locked['starts']} first tries"
    if locked["expected"] is not None:
        counted += f", {locked['expected']:.2g} expected"
    if low is None or high is None:
        return f"Starts that locked: {counted}."
    return f"{_many(low, high)}: {counted}, ratio {locked['ratio']:.1f} (90 % interval {low:.1f} to {high:.1f})."


def _weather(reasons: Sequence[str]) -> list[str]:
    """Return what the weather ahead does to the outlook, where it does much."""
    for code in reasons:
        if code.startswith(WEATHER_AHEAD):
            fold = float(code.removeprefix(WEATHER_AHEAD))
            way = f"{fold:.1f} times" if fold > 1 else f"only {fold:.1f} times"
            return [f"The weather forecast makes a lockout within 7 days {way} as likely as the weather of late would."]
    return []


def evidence(body: Mapping[str, Any] | None) -> list[str]:
    """Return what the verdict rests on as sentences: words first, then the numbers with their 90 % interval."""
    if body is None:
        return ["Not judged yet."]
    told = []
    run_up, locked = body["run_up"], body["locked"]
    if body["standing"] == "silent":
        told.append(f"{SILENT} What follows is of the starts before.")
    if run_up["drift"] is not None:
        way = "longer" if run_up["drift"] >= 0 else "shorter"
        interval = ""
        if run_up["low"] is not None and run_up["high"] is not None:
            ends = f"{100 * run_up['low']:+.0f} to {100 * run_up['high']:+.0f}".replace("-", MINUS)
            interval = f", 90 % interval {ends} %"
        told.append(
            f"Starts take {percent(abs(run_up['drift']))} {way} than this unit's own history leads one to expect"
            f" ({run_up['now_s']:.2f} s, expected {run_up['expected_s']:.2f} s{interval})."
        )
    if locked["ratio"] is not None:
        told.append(_locked(locked))
    elif run_up["drift"] is None:
        told.append(f"{_too_little(body)}: {_lacking(body)}.")
    if body["standing"] in FLAGGED:
        told.extend(_causes(body.get("causes") or {}, body["reasons"]))
    told.extend(_weather(body["reasons"]))
    return told


def _too_little(body: Mapping[str, Any]) -> str:
    """Return why a unit has no figures: it is new, or what was known of it no longer holds."""
    anew = "history_began_anew" in body["reasons"]
    return "Learning anew, as after a repair" if anew else "Too little heard to judge"


def _lacking(body: Mapping[str, Any]) -> str:
    """Return how much has been heard of a unit without figures, and what it takes to judge it."""
    wanted = [words for code, words in WANTED.items() if code in body["reasons"]]
    return f"{body['run_up']['starts']} starts so far" + (f"; it takes {' and '.join(wanted)}" if wanted else "")


def _without_figures(body: Mapping[str, Any]) -> str:
    """Return what there is to say of a unit that has no baseline, or no start since it was seen to."""
    found = [words for code, words in (ALONE | ALSO).items() if code in body["reasons"]]
    if not found:
        return f"{_too_little(body)}: {_lacking(body)}."
    text = "; ".join([*found, f"too little heard to judge more: {body['run_up']['starts']} starts so far"])
    return f"{text[0].upper()}{text[1:]}."


def why(body: Mapping[str, Any]) -> str:
    """Return the grounds of a verdict in one short sentence, for a row of the call list."""
    run_up, locked = body["run_up"], body["locked"]
    standing = body["standing"]
    if standing == "learning" or run_up["drift"] is None:
        return _without_figures(body)
    if standing not in FLAGGED:
        return SILENT if standing == "silent" else "Starts as it should."
    parts = []
    low, high = run_up["low"], run_up["high"]
    if low is not None and high is not None:
        if low > 0:
            parts.append(
                f"starts take {percent(run_up['drift'])} longer than expected ({100 * low:.0f} to {100 * high:.0f} %)"
            )
        else:
            parts.append("run-up time as expected")
    if locked["low"] is not None and locked["low"] > 1:
        parts.append(f"{locked['seen']:g} first tries locked where {locked['expected']:.2g} were expected")
    parts += [words for code, words in ALSO.items() if code in body["reasons"]]
    text = "; ".join(parts) or "in doubt"
    return f"{text[0].upper()}{text[1:]}."
