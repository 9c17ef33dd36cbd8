from __future__ import annotations

from api.evidence import evidence, percent
from api.made import CALLS


def test_the_evidence_puts_words_before_numbers_and_numbers_with_their_interval() -> None:
    lines = evidence(CALLS[0][0])
    assert lines[0].startswith("Starts take 158 % longer")
    assert "90 % interval +150 to +166 %" in lines[0]
    assert lines[1].startswith("Far more starts locked than expected: 13 of 412 first tries")
    assert lines[2].startswith("Weak run capacitor, very likely (83 %)")


def test_a_unit_that_is_learning_gets_no_numbers_but_its_count() -> None:
    assert evidence(CALLS[5][0]) == ["Too little heard to judge: 12 starts so far."]
    assert evidence(None) == ["Not judged yet."]


def test_a_share_that_only_rounds_to_none_or_all_says_so() -> None:
    assert percent(0.0) == "0 %"
    assert percent(0.004) == "under 1 %"
    assert percent(0.9951) == "over 99 %"
    assert percent(1.0) == "100 %"
    assert percent(0.424) == "42 %"
