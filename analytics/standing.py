"""From what is known of a unit to its standing, with the reasons as short codes."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.options import Options
from analytics.verdict import CAUSES, RepairName, StandingName

WEATHER_AHEAD, WEATHER_FOLD = "weather_ahead_x", 1.5
"""Prefix of the code that tells what the weather ahead does to the outlook, and from how much on it is told."""
REASONS = {
    "days_below_7": "fewer than seven days of starts since the unit's history began, or began anew",
    "starts_below_30": "fewer than thirty starts with a run-up time since then",
    "no_run_up_times": "the starts carry no run-up times, so none can be compared",
    "history_began_anew": "work was done that may change what is normal, or the logger tells other conditions than it "
    "did, so it is being learned again",
    "conditions_lost": "starts lack a temperature, voltage or rest that the unit used to tell, so are not compared",
    "run_up_above_baseline": "starts take longer than the unit's own baseline expects under the same conditions",
    "signs_together": "run-up times alone leave doubt, but they speak for a fault together with what else is measured",
    "run_up_rising": "the same, not yet beyond doubt",
    "locked_above_expected": "more starts lock than the conditions explain",
    "locked_rising": "the same, not yet beyond doubt",
    "lockout_now": "three locked starts with no run between, or the control's own report, and no run since",
    "lockout_within_14d": "the unit has locked out in the last fourteen days, and no work was done since",
    "lockout_likely": "the chance of a lockout within seven days is above the account's limit",
    "cause_undetermined": "no single cause stands out, so none is acted upon",
    "no_forecast": "no forecast for the site: the weather is taken to stay as it lately was",
    "forecast_short": "the forecast does not reach fourteen days: beyond it the weather is taken to stay as it was",
    "no_cold_yet": "the unit has not met cold weather since its history began, so cold is known from its class only",
    "no_recent_starts": "no start in the last seven days: the figures are those of the last days with starts",
    "silent": "no starts, though its peers have started often enough for it to have done so",
    "repair_too_early": "the last visit is too recent to tell whether it helped",
    "repair_untold": "too little is known from before the last visit, or since, to tell whether it helped",
    "repair_helped": "starts have become easier since the last visit, at equal conditions",
    "repair_no_change": "starts have not become easier since the last visit, at equal conditions",
    "repair_worse": "starts have become harder since the last visit, at equal conditions",
    **{f"cause_{cause}": f"the likeliest cause is {cause.replace('_', ' ')}" for cause in CAUSES},
}
"""Every reason a verdict can give, and what it means."""


@dataclass(frozen=True)
class Facts:
    """What the standing of one unit follows from."""

    usable: bool
    days: int
    starts: int
    timed: int
    restarted: bool
    down: bool
    silent: bool
    drift_alarm: bool
    locked_alarm: bool
    drift_low: float
    """Lower end of the 90 % interval of the drift, NaN where nothing recent is known."""
    drift_nats: float
    locked_nats: float
    lockout_7d: float
    lockout_recent: bool
    cause: str | None
    """The likeliest of the six causes where it stands out; ``cause_share`` is its probability."""
    has_kit: bool
    forecast: bool
    forecast_reaches: bool
    met_cold: bool
    quiet_days: float
    repair: RepairName | None
    flagged_before: bool
    cause_share: float = 1.0
    repair_over: bool = False
    """Whether the last visit is so long ago that nothing more will be learned of it."""
    conditions_lost: bool = False
    """Whether its starts of late tell less of the conditions than the baseline was learned with."""
    grounds: tuple[str, ...] = ()
    """What speaks for the likeliest cause and against it, as codes of `analytics.grounds`."""
    weather_fold: float | None = None
    """How many times likelier the forecast weather makes a lockout within 7 days; None where that is not told."""


def _sufficiency(facts: Facts, options: Options) -> list[str]:
    reasons = []
    if facts.days < options.min_days:
        reasons.append("days_below_7")
    if facts.starts < options.min_starts:
        reasons.append("starts_below_30")
    elif facts.timed < options.min_starts:
        reasons.append("no_run_up_times" if facts.timed == 0 else "starts_below_30")
        if facts.conditions_lost:
            reasons.append("conditions_lost")
    if not reasons:
        reasons.append("days_below_7")
    if facts.restarted:
        reasons.append("history_began_anew")
    return reasons


def _findings(facts: Facts, options: Options) -> list[str]:
    out = []
    if facts.drift_alarm:
        out.append("run_up_above_baseline" if facts.drift_low > 0 else "signs_together")
    elif facts.drift_nats >= options.watch_nats:
        out.append("run_up_rising")
    if facts.locked_alarm:
        out.append("locked_above_expected")
    elif facts.locked_nats >= options.watch_locked_nats:
        out.append("locked_rising")
    if facts.lockout_7d >= options.watch_lockout_7d:
        out.append("lockout_likely")
    if facts.lockout_recent and not facts.down:
        out.append("lockout_within_14d")
    if facts.repair in {"no_change", "worse"}:
        out.append(f"repair_{facts.repair}")
    return out


def _act(facts: Facts, options: Options) -> StandingName:
    """Return what kind of visit the likeliest cause asks for: a start kit where none is fitted, else service.

    A kit that is fitted at once saves a second visit if the cause is the likeliest, and else is spent in vain.
    """
    saved = facts.cause_share * options.planned_visit_cost
    spent = (1.0 - facts.cause_share) * options.kit_cost
    if facts.cause == "unequalised_pressures" and not facts.has_kit and saved >= spent:
        return "start_assist"
    return "service"


def _notes(facts: Facts, *, asked: bool) -> list[str]:
    """Return what is to be known beside the findings; ``asked`` whether a cause was asked for."""
    notes = []
    if asked:
        notes += [f"cause_{facts.cause}" if facts.cause else "cause_undetermined", *facts.grounds]
    if facts.repair in {"too_early", "helped"}:
        notes.append("repair_untold" if facts.repair == "too_early" and facts.repair_over else f"repair_{facts.repair}")
    if not facts.usable:
        return notes
    if facts.conditions_lost:
        notes.append("conditions_lost")
    if facts.weather_fold is not None and not 1.0 / WEATHER_FOLD < facts.weather_fold < WEATHER_FOLD:
        notes.append(f"{WEATHER_AHEAD}{facts.weather_fold:.1f}")
    if not facts.forecast:
        notes.append("no_forecast")
    elif not facts.forecast_reaches:
        notes.append("forecast_short")
    if not facts.met_cold:
        notes.append("no_cold_yet")
    if facts.quiet_days >= 7 and not facts.silent:
        notes.append("no_recent_starts")
    return notes


def decide(facts: Facts, options: Options) -> tuple[StandingName, list[str]]:
    """Return the standing of a unit and the reasons for it, the decisive one first.

    ``down`` goes before all else, ``silent`` before what old figures say, ``learning`` before any figure.
    """
    findings = _findings(facts, options) if facts.usable else []
    alarm = facts.usable and (facts.drift_alarm or facts.locked_alarm)
    # Three locked starts in a row do not come by chance: a lockout asks for a visit like an alarm does.
    act = alarm or (facts.usable and facts.lockout_recent)
    notes = _notes(facts, asked=facts.usable and (act or facts.down))
    thin = [] if facts.usable else _sufficiency(facts, options)
    if facts.down:
        return "down", ["lockout_now", *findings, *thin, *notes]
    if facts.silent:
        return "silent", ["silent", *findings, *thin, *notes]
    if not facts.usable:
        # A lockout needs no baseline to be one.
        locked_out = ["lockout_within_14d"] if facts.lockout_recent else []
        return "service" if locked_out else "learning", [*locked_out, *thin, *notes]
    failed = facts.repair in {"no_change", "worse"} and facts.flagged_before
    if act or failed:
        return _act(facts, options), [*findings, *notes]
    if findings and findings != ["repair_no_change"]:
        return "watch", [*findings, *notes]
    return "steady", [*findings, *notes]


def say(name: StandingName, facts: Facts, options: Options) -> str:
    """Return what a dispatcher can read to a customer: of a unit that is learning, what is still missing."""
    return _still_learning(facts, options) if name == "learning" else SAY[name]


def _still_learning(facts: Facts, options: Options) -> str:
    if facts.starts >= options.min_starts > facts.timed:
        if facts.timed == 0:
            return "We can see when your heat pump starts but not how long a start takes, so we cannot judge it yet."
        if facts.conditions_lost:
            return (
                "We can see your heat pump start, but a reading such as the outdoor temperature is missing, so we "
                "cannot judge its starts yet."
            )
    wanted = []
    if facts.days < options.min_days:
        wanted.append(f"followed it for {options.min_days} days")
    if facts.timed < options.min_starts:
        wanted.append(f"timed {options.min_starts} of its starts")
    until = " and ".join(wanted) or "seen it start on a few more days"
    known = "learning anew" if facts.restarted else "still getting to know"
    return f"We are {known} how your heat pump starts, and will be able to say more once we have {until}."


SAY: dict[str, str] = {
    "learning": "We are still getting to know how your heat pump starts, and will say more once we have seen enough.",
    "steady": "Your heat pump is starting as it should.",
    "watch": "Your heat pump is starting, and we are keeping a closer eye on it than usual.",
    "start_assist": "There are signs that your heat pump finds it harder to start than it used to, and we would like "
    "to fit a part that helps it start before the next cold spell.",
    "service": "There are signs that your heat pump finds it harder to start than it used to, and we would like to "
    "have a technician look at it before it lets you down.",
    "down": "Your heat pump has stopped trying to start, and we would like to send a technician.",
    "silent": "We have not heard from your heat pump for some days; is it switched on, and is the house warm?",
}
"""What a dispatcher can read to a customer, by standing; never a request to touch the unit."""
