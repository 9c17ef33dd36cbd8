from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

import psycopg
import pytest
from fastapi.testclient import TestClient

from api import made, words
from api.rule import Gauge
from api.sheet import NEXT, PLEASE, _repair, _seen, standalone

HELPED: dict[str, Any] = {
    "visit": "2026-01-06T12:00:00Z",
    "run_up_change": -0.38,
    "low": -0.44,
    "high": -0.31,
    "locked_ratio": 0.2,
    "locked_low": 0.1,
    "locked_high": 0.6,
    "verdict": "helped",
}


def test_every_standing_has_its_next_step_and_none_asks_the_owner_to_work_on_the_unit() -> None:
    assert set(NEXT) == set(words.STANDINGS)
    asked = " ".join([*NEXT.values(), *PLEASE]).lower()
    for word in ("try again", "reset", "restart", "open the panel", "bypass"):
        assert word not in asked
    assert "do not open the outdoor unit" in asked
    assert "do not switch the power off and on" in asked


def test_what_was_seen_is_told_with_its_interval_and_without_a_number_where_data_are_thin() -> None:
    down, watch, learning = made.CALLS[0][0], made.CALLS[3][0], made.CALLS[5][0]
    assert _seen(down, 13) == [
        "Under the conditions of these days it should be up to speed in 0.24 s; it takes 0.62 s.",
        "That is between 150 % and 166 % longer than it should be.",
        "13 starts of the last two weeks did not succeed: the compressor did not turn.",
    ]
    assert _seen(watch, 0)[-1] == "Every start of the last two weeks succeeded."
    assert _seen(learning, 0) == _seen(None, 0) == ["Too little has been heard yet to judge by."]
    steady = {"run_up": {"expected_s": 0.2, "now_s": 0.21, "low": -0.03, "high": 0.12}}
    assert _seen(steady, 1)[1:] == [
        "The difference is no more than the ordinary scatter from one start to the next.",
        "One start of the last two weeks did not succeed: the compressor did not turn.",
    ]


def test_a_repair_is_told_with_the_interval_only_where_it_is_certain() -> None:
    assert _repair({"repair": HELPED}) == (
        "The last visit helped: under the same conditions a start takes 38 % less time (between 31 % and 44 %)."
    )
    early = HELPED | {"verdict": "too_early", "run_up_change": None, "low": None, "high": None}
    assert _repair({"repair": early}) == "It is too early to say whether the last visit helped."
    assert _repair({"repair": None}) is None
    assert _repair(None) is None


@pytest.mark.parametrize("locked", [0, 3, 27])
def test_the_rule_stands_by_itself_as_svg(locked: int) -> None:
    drawn = ET.fromstring(standalone(Gauge("down", 0.24, 0.62, 1.5, 1.7, locked)))  # noqa: S314  # our own picture
    assert drawn.tag == "{http://www.w3.org/2000/svg}svg"
    assert drawn[0].tag.endswith("style")


@pytest.mark.stack
@pytest.mark.parametrize("unit", ["u-0001", "u-0006"])
def test_the_sheet_is_a_pdf(here: TestClient, unit: str) -> None:
    answer = here.get(f"/units/{unit}/sheet.pdf")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    assert b"/Type/Pages/Count 1/" in answer.content
    assert b"/Lang(en)" in answer.content.replace(b" ", b"")
    assert f"/units/{unit}/sheet.pdf" in here.get(f"/units/{unit}").text


@pytest.mark.stack
def test_names_and_notes_are_printed_and_never_run(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update unit set unit = '#panic(\"x\") *b* $' where unit = 'u-0001'")
        conn.execute('update visit set parts = \'{"#read(\\"/etc/passwd\\")"}\'')
    answer = writable.get('/units/%23panic("x") *b* $/sheet.pdf')
    assert answer.status_code == 200
    assert answer.content.startswith(b"%PDF-")
