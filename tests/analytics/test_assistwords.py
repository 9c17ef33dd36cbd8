"""What is said of start assist: which finding wins, and that no words send anybody to a unit unwarned."""

from __future__ import annotations

import dataclasses
import re
from typing import get_args

import pytest

from analytics.assisted import Case, Finding, Plate, Ratings, Spread
from analytics.assistwords import RIGHT, WRONG, finding, say, speaks
from analytics.verdict import CAUSES

QUICK, NEVER = Spread(0.2, 0.18, 0.24), Spread(None, None, None)
CASE = Case("as_is", 0.0, 40.0, Spread(1.6, 1.4, 1.8), QUICK, Spread(0.0, 0.0, 0.0), None, 560.0, 430.0)
STUCK = dataclasses.replace(CASE, run_up_s=NEVER, stalled=Spread(1.0, 1.0, 1.0))
KIT = dataclasses.replace(CASE, name="common", start_cap_uf=208.0, run_up_s=Spread(0.07, 0.07, 0.08))
LOOK_FOR = Ratings(155.0, 295.0, 370.0, 280.0, 420.0, 0.08)


def found(as_is: Case = CASE, told: dict[str, float] | None = None, **changes: object) -> Finding:
    chosen = {"ratings": LOOK_FOR, "common": KIT, "plate": Plate(), "often": False, "little": False, **changes}
    return finding(
        chosen["plate"],  # type: ignore[arg-type]
        as_is,
        chosen["common"],  # type: ignore[arg-type]
        chosen["ratings"],  # type: ignore[arg-type]
        told or {},
        often=bool(chosen["often"]),
        little=bool(chosen["little"]),
    )


def test_each_finding_has_its_case() -> None:
    pressures = {"unequalised_pressures": 0.7, "none": 0.1}
    assert found(STUCK, pressures) == "would_help"
    assert found(STUCK, {"mechanical": 0.7}) == "not_first"
    assert found(STUCK, pressures, plate=Plate(start_gear="relay_kit")) == "fitted"
    assert found(STUCK, pressures, ratings=None) == "beyond"
    assert found(STUCK, pressures, common=STUCK) == "beyond"
    assert found(CASE, {"none": 0.9}) == "not_needed"
    assert found(CASE, {"none": 0.9}, often=True) == "unexplained"
    assert found(CASE, {}, little=True) == "too_little"


def test_the_wrong_answer_comes_before_every_other_finding() -> None:
    for cause in WRONG:
        for plate in (Plate(), Plate(start_gear="relay_kit")):
            assert found(STUCK, {cause: 0.5, "none": 0.2}, plate=plate, ratings=None) == "not_first"
        # Not likely enough to decide, or less likely than none.
        assert found(CASE, {cause: 0.35, "none": 0.2}) == "not_needed"
        assert found(CASE, {cause: 0.41, "none": 0.5}) == "not_needed"


def test_every_cause_speaks_for_or_against_and_the_likeliest_first() -> None:
    told = {cause: 0.1 * k for k, cause in enumerate(CAUSES)}
    heard = speaks(told)
    assert {one.cause for one in heard} == set(CAUSES)
    assert [one.probability for one in heard] == sorted((0.1 * k for k in range(6)), reverse=True)
    assert [one.cause for one in heard if not one.wrong] == ["unequalised_pressures"]


@pytest.mark.parametrize("what", get_args(Finding))
def test_no_sentence_tells_anybody_to_open_bypass_or_retry(what: Finding) -> None:
    words = say(what, STUCK, KIT, {"mechanical": 0.8})
    assert words.endswith(".")
    for text in (words, RIGHT, *WRONG.values()):
        assert not re.search(r"\b(open the unit|bypass|retry|try again|jumper|override)\b", text, re.IGNORECASE)


def test_a_start_that_may_fail_is_said_to() -> None:
    assert "would not come up to speed" in say("would_help", STUCK, KIT, {})
    doubtful = dataclasses.replace(CASE, run_up_s=Spread(0.3, 0.2, None))
    assert "0.20 s to not at all" in say("would_help", doubtful, KIT, {})
    assert "listed kit decides" in say("would_help", doubtful, KIT, {})
