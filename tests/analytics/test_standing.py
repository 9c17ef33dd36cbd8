from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from analytics import standing
from analytics.options import DEFAULT
from analytics.verdict import STANDINGS

FINE = standing.Facts(
    usable=True,
    days=90,
    starts=1000,
    timed=1000,
    restarted=False,
    down=False,
    silent=False,
    drift_alarm=False,
    locked_alarm=False,
    drift_low=0.1,
    drift_nats=0.0,
    locked_nats=0.0,
    lockout_7d=0.0,
    lockout_recent=False,
    cause=None,
    has_kit=False,
    forecast=True,
    forecast_reaches=True,
    met_cold=True,
    quiet_days=0.1,
    repair=None,
    flagged_before=False,
)


def _decide(**changes: Any) -> tuple[str, list[str]]:
    return standing.decide(dataclasses.replace(FINE, **changes), DEFAULT)


@pytest.mark.parametrize(
    ("changes", "name", "reason"),
    [
        ({}, "steady", None),
        ({"usable": False, "days": 3, "starts": 40}, "learning", "days_below_7"),
        ({"usable": False, "starts": 12}, "learning", "starts_below_30"),
        ({"usable": False, "timed": 0}, "learning", "no_run_up_times"),
        ({"drift_nats": 6.0}, "watch", "run_up_rising"),
        ({"locked_nats": 6.0}, "watch", "locked_rising"),
        ({"lockout_7d": 0.3}, "watch", "lockout_likely"),
        ({"lockout_recent": True}, "service", "lockout_within_14d"),
        ({"lockout_recent": True, "cause": "unequalised_pressures"}, "start_assist", "cause_unequalised_pressures"),
        ({"usable": False, "days": 3, "lockout_recent": True}, "service", "lockout_within_14d"),
        ({"usable": False, "days": 3, "lockout_recent": True}, "service", "days_below_7"),
        ({"drift_alarm": True, "cause": "unequalised_pressures"}, "start_assist", "cause_unequalised_pressures"),
        ({"drift_alarm": True, "cause": "unequalised_pressures", "has_kit": True}, "service", "run_up_above_baseline"),
        ({"drift_alarm": True, "drift_low": -0.01, "cause": "unequalised_pressures"}, "start_assist", "signs_together"),
        ({"drift_alarm": True, "cause": "weak_run_capacitor"}, "service", "cause_weak_run_capacitor"),
        ({"locked_alarm": True}, "service", "cause_undetermined"),
        ({"silent": True}, "silent", "silent"),
        ({"silent": True, "usable": False, "days": 8, "starts": 9}, "silent", "starts_below_30"),
        ({"down": True, "silent": True}, "down", "lockout_now"),
        ({"down": True, "usable": False, "starts": 5}, "down", "starts_below_30"),
        ({"repair": "no_change", "flagged_before": True}, "service", "repair_no_change"),
        ({"repair": "no_change"}, "steady", "repair_no_change"),
        ({"repair": "worse"}, "watch", "repair_worse"),
        ({"repair": "helped"}, "steady", "repair_helped"),
        ({"repair": "too_early"}, "steady", "repair_too_early"),
        ({"repair": "too_early", "repair_over": True}, "steady", "repair_untold"),
        ({"forecast": False}, "steady", "no_forecast"),
        ({"forecast_reaches": False}, "steady", "forecast_short"),
        ({"met_cold": False}, "steady", "no_cold_yet"),
        ({"quiet_days": 9.0}, "steady", "no_recent_starts"),
    ],
)
def test_what_is_known_gives_its_standing_and_reason(changes: dict[str, Any], name: str, reason: str | None) -> None:
    got, reasons = _decide(**changes)
    assert got == name
    assert reason is None or reason in reasons
    assert set(reasons) <= set(standing.REASONS)


def test_a_kit_that_costs_more_than_the_visit_it_is_likely_to_save_is_not_asked_for_at_once() -> None:
    likely = dataclasses.replace(FINE, drift_alarm=True, cause="unequalised_pressures", cause_share=0.75)
    # Three to one that it saves a visit: worth it up to three visits.
    for kit, name in ((0.0, "start_assist"), (2.9, "start_assist"), (3.1, "service")):
        got, reasons = standing.decide(likely, dataclasses.replace(DEFAULT, kit_cost=kit))
        assert got == name
        assert "cause_unequalised_pressures" in reasons


def test_a_learning_unit_never_gives_a_finding() -> None:
    got, reasons = _decide(usable=False, days=3, starts=40, drift_alarm=True, locked_nats=9.0, lockout_7d=0.9)
    assert got == "learning"
    assert not {"run_up_above_baseline", "locked_rising", "lockout_likely"} & set(reasons)


def test_every_standing_has_a_sentence_for_the_customer_without_jargon() -> None:
    assert set(standing.SAY) == set(STANDINGS)
    for sentence in standing.SAY.values():
        assert sentence.endswith((".", "?"))
        words = set(sentence.lower().replace(",", " ").replace(".", " ").split())
        # Never advice to act on the unit, and nothing that a customer would have to look up.
        assert not words & {
            "breaker", "reset", "restart", "power", "capacitor", "compressor", "pressure", "lockout", "rotor", "open",
            "press", "try", "wait",
        }  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "ending"),
    [
        ({"days": 5, "starts": 91, "timed": 91}, "once we have followed it for 7 days."),
        ({"days": 40, "starts": 12, "timed": 12}, "once we have timed 30 of its starts."),
        ({"days": 5, "starts": 12, "timed": 0}, "once we have followed it for 7 days and timed 30 of its starts."),
        ({"days": 9, "starts": 60, "timed": 12}, "once we have timed 30 of its starts."),
        ({"days": 9, "starts": 60, "timed": 60}, "once we have seen it start on a few more days."),
        ({"days": 40, "starts": 60, "timed": 0}, "but not how long a start takes, so we cannot judge it yet."),
        ({"days": 9, "starts": 60, "timed": 12, "conditions_lost": True}, "so we cannot judge its starts yet."),
    ],
)
def test_a_learning_unit_s_sentence_says_what_is_missing_and_no_more(changes: dict[str, Any], ending: str) -> None:
    facts = dataclasses.replace(FINE, usable=False, **changes)
    told = standing.say("learning", facts, DEFAULT)
    assert told.endswith(ending)
    assert told.count(".") == 1
    assert "week" not in told
    # The codes name the same.
    reasons = standing.decide(facts, DEFAULT)[1]
    assert ("30" in told) == ("starts_below_30" in reasons and not facts.conditions_lost)
    assert ("days" in told) == ("days_below_7" in reasons)
    assert ("reading" in told) == ("conditions_lost" in reasons)
    assert standing.say("steady", facts, DEFAULT) == standing.SAY["steady"]


def test_a_unit_whose_history_began_anew_is_said_to_be_learned_anew() -> None:
    facts = dataclasses.replace(FINE, usable=False, days=2, restarted=True)
    assert standing.say("learning", facts, DEFAULT).startswith("We are learning anew how your heat pump starts, and")


def test_every_reason_is_in_the_document() -> None:
    text = (Path(standing.__file__).parent / "VERDICTS.md").read_text(encoding="utf-8")
    for code, meaning in standing.REASONS.items():
        assert f"| `{code}` | {meaning} |" in text


def test_a_weather_ahead_that_changes_the_outlook_much_is_a_reason_and_one_that_does_not_is_none() -> None:
    assert "weather_ahead_x2.4" in _decide(weather_fold=2.41)[1]
    assert "weather_ahead_x0.4" in _decide(weather_fold=0.4)[1]
    assert not [code for code in _decide(weather_fold=1.2)[1] if code.startswith("weather_ahead")]
