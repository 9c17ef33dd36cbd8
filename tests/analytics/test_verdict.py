from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from analytics.verdict import CAUSES, STANDINGS, Causes, Locked, Repair, RunUp, Verdict, encode, stamp


def _learning() -> Verdict:
    return Verdict(
        unit="u1",
        as_of="2031-01-14T12:00:00Z",
        standing="learning",
        run_up=RunUp(starts=10),
        locked=Locked(starts=10, seen=0),
        causes=Causes(),
        lockout_7d=None,
        lockout_14d=None,
        repair=None,
        reasons=["starts_below_30"],
        say="...",
    )


def test_a_verdict_has_every_key_of_the_published_object_in_order() -> None:
    got = json.loads(encode(_learning()))
    # The published object of this project's own interface: names and order are a promise to its readers.
    assert list(got) == [
        "unit", "as_of", "standing", "run_up", "locked", "causes",
        "lockout_7d", "lockout_14d", "repair", "reasons", "say",
    ]  # fmt: skip
    assert list(got["run_up"]) == ["starts", "expected_s", "now_s", "drift", "low", "high", "since", "alarm"]
    assert list(got["locked"]) == ["starts", "seen", "expected", "ratio", "low", "high", "since", "alarm"]
    assert list(got["causes"]) == [*CAUSES, "none"]


def test_a_learning_unit_has_counts_and_nulls_and_no_alarm() -> None:
    got = json.loads(encode(_learning()))
    run_up, locked = got["run_up"], got["locked"]
    assert (run_up.pop("starts"), run_up.pop("alarm")) == (10, False)
    assert (locked.pop("starts"), locked.pop("seen"), locked.pop("alarm")) == (10, 0, False)
    nulls = [*run_up.values(), *locked.values(), *got["causes"].values(), got["lockout_7d"], got["lockout_14d"]]
    assert nulls == [None] * len(nulls)


def test_a_repair_has_every_key() -> None:
    keys = Repair.__struct_fields__
    assert keys == (
        "visit", "run_up_change", "low", "high", "locked_ratio", "locked_low", "locked_high", "verdict",
    )  # fmt: skip


def test_instants_are_utc_with_whole_seconds() -> None:
    assert stamp(datetime(2031, 1, 14, 12, tzinfo=UTC)) == "2031-01-14T12:00:00Z"


@pytest.mark.parametrize("word", STANDINGS)
def test_standings_are_single_words(word: str) -> None:
    assert word.replace("_", "").isalpha()
