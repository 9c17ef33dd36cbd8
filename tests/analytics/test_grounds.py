from __future__ import annotations

import numpy as np
import pytest

from analytics import grounds
from analytics.cause import PATTERNS
from analytics.verdict import CAUSES, HYPOTHESES


def test_the_weight_of_evidence_is_how_far_it_moves_the_log_odds() -> None:
    # Good (1985), section 3: posterior log odds less prior log odds; a published identity, worked here by hand.
    prior = np.log(np.array([[0.25, 0.1, 0.2, 0.05, 0.05, 0.05, 0.3]]))
    log = np.log(np.array([[4.0, 1.0, 2.0, 0.5, 1.0, 1.0, 1.0]]))
    joint = np.exp(prior + log)[0]
    after = joint[0] / (joint.sum() - joint[0])
    got = grounds.weights({"run_up": log}, prior, np.array([0]))["run_up"][0]
    assert got == pytest.approx(np.log(after / (0.25 / 0.75)))


def test_a_source_that_says_the_same_of_all_hypotheses_weighs_nothing_and_has_no_code() -> None:
    weight = grounds.weights({"sag": np.full((1, 7), -3.0)}, np.log(np.full((1, 7), 1 / 7)), np.array([2]))
    assert weight["sag"][0] == pytest.approx(0.0)
    assert grounds.codes({"sag": float(weight["sag"][0])}) == []


def test_codes_stand_by_size_and_turn_into_words_that_can_be_checked_on_site() -> None:
    codes = grounds.codes({"run_up": 2.14, "equalising": 3.4, "pace": -0.7, "watts": 0.2})
    assert codes == ["evidence_equalising_+3.4", "evidence_run_up_+2.1", "evidence_pace_-0.7"]
    assert [grounds.words(code, "unequalised_pressures") for code in codes] == [
        "pressures take longer to even out after a stop: +3.4",
        "slow within minutes of stopping, not after long stops: +2.1",
        "how fast it came on does not fit: \N{MINUS SIGN}0.7",
    ]
    assert grounds.words("cause_mechanical", "mechanical") is None


@pytest.mark.parametrize("source", ["run_up", "sag", "power_factor", "locked", "pace"])
def test_every_source_has_words_for_every_cause(source: str) -> None:
    assert set(PATTERNS) == set(CAUSES) == set(HYPOTHESES) - {"none"}
    for name in CAUSES:
        assert grounds.words(f"evidence_{source}_+1.0", name)
        assert grounds.words(f"evidence_{source}_-1.0", name)
