from __future__ import annotations

from api.evidence import chance, evidence, percent, why
from api.made import CALLS


def test_the_evidence_puts_words_before_numbers_and_numbers_with_their_interval() -> None:
    lines = evidence(CALLS[0][0])
    assert lines[0].startswith("Starts take 158 % longer")
    assert "90 % interval +150 to +166 %" in lines[0]
    assert lines[1].startswith("Far more starts locked than expected: 13 of 412 first tries")
    assert lines[2].startswith("Weak run capacitor, very likely (83 %)")


def test_a_unit_that_is_learning_gets_no_numbers_but_its_count() -> None:
    assert evidence(CALLS[5][0]) == [
        "Too little heard to judge: 12 starts so far; it takes 30 starts with a run-up time."
    ]
    assert evidence(None) == ["Not judged yet."]


def test_a_unit_that_is_learning_is_told_what_it_lacks_and_nothing_else() -> None:
    for codes, wanted in (
        (["days_below_7"], "a week with starts on at least four days"),
        (
            ["days_below_7", "starts_below_30"],
            "a week with starts on at least four days and 30 starts with a run-up time",
        ),
        (["no_run_up_times"], "run-up times, which the logger does not tell"),
    ):
        told = f"Too little heard to judge: 12 starts so far; it takes {wanted}."
        assert evidence(CALLS[5][0] | {"reasons": codes}) == [told]
        assert why(CALLS[5][0] | {"reasons": codes}) == told


def test_a_unit_that_was_repaired_is_said_to_be_learned_anew_rather_than_never_heard() -> None:
    body = CALLS[5][0] | {"reasons": ["starts_below_30", "history_began_anew"]}
    told = "Learning anew, as after a repair: 12 starts so far; it takes 30 starts with a run-up time."
    assert evidence(body) == [told]
    assert why(body) == told


def test_a_silent_unit_is_said_to_be_silent_before_any_figure_of_the_time_before() -> None:
    lines = evidence(CALLS[4][0])
    assert lines[0].startswith("Nothing heard for longer than usual: ask whether it is switched off")
    assert lines[1].startswith("Starts take ")
    # Also where there are no figures.
    lines = evidence(CALLS[5][0] | {"standing": "silent"})
    assert [line.partition(":")[0] for line in lines] == [
        "Nothing heard for longer than usual",
        "Too little heard to judge",
    ]


def test_a_share_that_only_rounds_to_none_or_all_says_so() -> None:
    assert percent(0.0) == "0 %"
    assert percent(0.004) == "under 1 %"
    assert percent(0.9951) == "over 99 %"
    assert percent(1.0) == "100 %"
    assert percent(0.424) == "42 %"


def test_a_probability_is_never_told_as_none_or_certain() -> None:
    assert chance(0.0) == "under 1 %"
    assert chance(1.0) == "over 99 %"
    assert chance(0.83) == "83 %"


def test_the_grounds_of_a_row_are_one_sentence_with_the_interval() -> None:
    assert why(CALLS[0][0]) == (
        "Starts take 158 % longer than expected (150 to 166 %); 13 first tries locked where 0.6 were expected."
    )
    visited = CALLS[0][0] | {"reasons": ["repair_no_change"]}
    assert why(visited) == why(CALLS[0][0] | {"reasons": []}).removesuffix(".") + "; no easier since the last visit."
    assert why(CALLS[4][0]) == (
        "Nothing heard for longer than usual: ask whether it is switched off; else look at its logger."
    )
    assert why(CALLS[5][0]) == "Too little heard to judge: 12 starts so far; it takes 30 starts with a run-up time."
    assert why(CALLS[6][0]) == "Starts as it should."


def test_what_speaks_for_the_likeliest_cause_and_against_it_stands_beside_it_with_its_weight() -> None:
    body = CALLS[0][0] | {"reasons": ["cause_weak_run_capacitor", "evidence_power_factor_+4.8", "evidence_pace_-0.7"]}
    lines = evidence(body)
    place = lines.index("Weak run capacitor, very likely (83 %).")
    assert lines[place + 1 :] == [
        "+4.8 for it: the running power factor has fallen (each +1 makes the cause 2.7 times likelier).",
        "\N{MINUS SIGN}0.7 against it: how fast it came on does not fit.",
    ]


def test_where_no_grounds_are_told_the_usual_sign_of_the_cause_stands_in_their_place() -> None:
    assert evidence(CALLS[0][0])[-1] == (
        "Weak run capacitor, very likely (83 %); its sign: slow after any stop, running current up, power factor down."
    )


def test_what_the_weather_ahead_does_to_the_outlook_is_a_sentence() -> None:
    worse, milder = (
        evidence(CALLS[0][0] | {"reasons": [code]})[-1] for code in ("weather_ahead_x2.4", "weather_ahead_x0.4")
    )
    assert "2.4 times as likely" in worse
    assert "only 0.4 times as likely" in milder


def test_a_unit_without_figures_that_locked_out_or_is_silent_is_said_to_be_so() -> None:
    thin = CALLS[5][0]
    for standing, reason, words in (
        ("service", "lockout_within_14d", "Locked out within the last fortnight; too little heard to judge more: 12"),
        ("down", "lockout_now", "Locked out, and no run since; too little heard to judge more: 12"),
        ("silent", "silent", "Nothing heard for longer than usual; too little heard to judge more: 12"),
    ):
        assert why(thin | {"standing": standing, "reasons": [reason, "days_below_7"]}) == f"{words} starts so far."
