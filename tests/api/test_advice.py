from __future__ import annotations

import math
import re
from typing import get_args

import pytest

from api import advice
from api.cautions import cautions
from api.words import CAUSES, FLAGGED, STANDINGS, WORK
from ingest.records import Work

PLATE = {"volts": 240, "run_cap_uf": 40, "start_gear": "none", "rla_a": 17, "refrigerant": "R-454B"}


def accepts(cause: str | None, plate: dict[str, object] = PLATE) -> str:
    return " ".join(s["accept"] + " " + s["measure"] for s in advice.measure("service", cause, plate))


@pytest.mark.published
def test_the_accept_limits_of_the_line_are_those_of_the_standards() -> None:
    # ANSI C84.1 Table 1, range A service voltage on 240 V: 228 to 252 V. IEC 61000-4-30: a dip lies below 90 %.
    text = accepts("low_supply_voltage")
    assert "228 to 252 V" in text
    assert "not below 216 V" in text


@pytest.mark.published
def test_the_factor_from_amperes_to_microfarads_is_that_of_the_trade_texts_example() -> None:
    # Worked example in a trade text: 50 Hz, 240 V, 2.30 A gives 30.48 uF (with 3180); exact 1e6 / (2 pi f).
    sixty, fifty = (
        float(x) for x in re.findall(r"(\d{4}) [×a]", accepts("weak_run_capacitor").replace("(3183 at", "3183 a"))
    )
    assert sixty == round(1e6 / (2 * math.pi * 60))
    assert fifty == round(1e6 / (2 * math.pi * 50))
    assert fifty * 2.30 / 240 == pytest.approx(30.48, rel=2e-3)


@pytest.mark.published
def test_a_run_capacitor_is_accepted_within_ten_percent() -> None:
    # Common service band of a trade text: 30 uF reads 27 to 33.
    assert "27.0 to 33.0 µF" in accepts("weak_run_capacitor", {**PLATE, "run_cap_uf": 30})


def test_every_cause_and_flagged_standing_has_something_to_measure_and_to_bring() -> None:
    for cause in [*(c for c in CAUSES if c != "none"), None]:
        for standing in FLAGGED:
            assert advice.measure(standing, cause, PLATE)
            assert advice.measure(standing, cause, {})
            assert advice.bring(standing, cause, {})
    assert advice.bring("steady", None, PLATE) == []
    assert advice.measure("steady", None, PLATE) == []


def test_what_to_bring_carries_the_ratings_that_are_known() -> None:
    assert advice.bring("down", "weak_run_capacitor", PLATE) == ["run capacitor 40 µF, voltage as marked"]
    assert any("start kit" in part for part in advice.bring("start_assist", "cold_soak", PLATE))


def test_every_caution_is_there_and_a_flammable_refrigerant_comes_early() -> None:
    told = " ".join(cautions("R-454B"))
    for words in (
        "maker's instructions",
        "local codes",
        "licensed",
        "lock it",
        "Prove dead",
        "charge",
        "certification",
        "mildly flammable",
    ):
        assert words in told
    assert "R32 is mildly flammable" in cautions("R32")[1]
    assert "highly flammable" in cautions("r 290")[1]
    assert not any("is mildly" in line for line in cautions("R-410A"))
    assert "may be flammable" in cautions(None)[-1]


def test_no_advice_asks_a_resident_or_anybody_to_retry_a_stalled_start() -> None:
    told = " ".join(
        s["measure"] + s["accept"] for c in [*CAUSES, None] for st in STANDINGS for s in advice.measure(st, c, PLATE)
    )
    assert not re.search(r"\b(retry|try again|restart|bypass|customer|resident)\b", told, re.IGNORECASE)


def test_the_kinds_of_work_are_those_of_the_records() -> None:
    assert set(WORK) == set(get_args(Work))
