"""The sheet for the customer: one unit in plain words on one printed page, as PDF."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import typst
import vl_convert
from fastapi import APIRouter, Response

from api import chart, units, visits
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName
from api.evidence import percent
from api.quantities import local, weekday
from api.rule import Gauge, ink, svg
from api.words import WORK

router = APIRouter(include_in_schema=False, default_response_class=Response)
TEMPLATE = Path(__file__).parent / "templates" / "sheet.typ"
FONT = "Libertinus Serif"
"""One of the fonts that typst carries, so that a bare machine prints the same."""
MOST_VISITS = 6
CHART_WIDTH = 620

NEXT: dict[str, str] = {
    "down": "The unit has locked itself out to protect its compressor. We treat this as urgent.",
    "service": "We advise a visit soon, so that the unit does not fail when it is needed most.",
    "start_assist": "We advise fitting a start kit, which helps the compressor over its first moment.",
    "watch": "We keep an eye on it. Nothing needs to be done today.",
    "silent": "We have not heard from the logger. We will look into it.",
    "learning": "We are still learning how this unit starts when it is well. Nothing needs to be done.",
    "steady": "Nothing needs to be done.",
}
"""What follows from each standing, for somebody who owns a heat pump rather than mends one."""

PLEASE = (
    "Please do not open the outdoor unit: parts inside keep a dangerous charge even with the power off.",
    "Please do not switch the power off and on to make it start; that can damage the compressor.",
    "If there is no heat, or you notice a burning smell or tripping breakers, leave it off and call us.",
)
REPAIRED: dict[str, str] = {
    "helped": "The last visit helped",
    "no_change": "The last visit has not changed how it starts",
    "worse": "It starts harder since the last visit",
    "too_early": "It is too early to say whether the last visit helped",
}


def _seen(verdict: Mapping[str, Any] | None, locked: int) -> list[str]:
    """Return what was seen, in plain sentences."""
    if verdict is None or verdict["run_up"]["now_s"] is None or verdict["run_up"]["expected_s"] is None:
        return ["Too little has been heard yet to judge by."]
    run_up = verdict["run_up"]
    due, takes = f"{run_up['expected_s']:.2f} s", f"{run_up['now_s']:.2f} s"
    told = [f"Under the conditions of these days it should be up to speed in {due}; it takes {takes}."]
    if run_up["low"] is not None and run_up["high"] is not None:
        if run_up["low"] > 0:
            told.append(
                f"That is between {percent(run_up['low'])} and {percent(run_up['high'])} longer than it should be."
            )
        elif run_up["high"] >= 0:
            told.append("The difference is no more than the ordinary scatter from one start to the next.")
        else:
            told.append("It starts more easily than it used to.")
    if locked:
        times = "One start" if locked == 1 else f"{locked} starts"
        told.append(f"{times} of the last two weeks did not succeed: the compressor did not turn.")
    else:
        told.append("Every start of the last two weeks succeeded.")
    return told


def _repair(verdict: Mapping[str, Any] | None) -> str | None:
    """Return what the last visit changed, in one sentence with its interval; None where there is nothing to say."""
    repair = (verdict or {}).get("repair")
    if not repair or "repair_untold" in (verdict or {}).get("reasons", ()):
        return None
    said = REPAIRED.get(repair["verdict"], "")
    change, low, high = repair["run_up_change"], repair["low"], repair["high"]
    if repair["verdict"] in ("helped", "worse") and None not in (change, low, high):
        way = "less" if change < 0 else "more"
        ends = sorted((abs(low), abs(high))) if low * high > 0 else None
        span = f" (between {percent(ends[0])} and {percent(ends[1])})" if ends else ""
        return f"{said}: under the same conditions a start takes {percent(abs(change))} {way} time{span}."
    return f"{said}."


def _done(found: Sequence[Mapping[str, Any]], zone: str) -> list[dict[str, str]]:
    return [
        {
            "day": local(v["at"], zone, "%-d %b %Y"),
            "work": ", ".join(WORK.get(w, w) for w in v["work"]),
            "parts": ", ".join(v["parts"]),
        }
        for v in found
    ]


def words(reader: Reader, whole: Mapping[str, Any], done: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what the sheet says, without its pictures."""
    verdict = whole["verdict"]
    plan = whole["plan"]
    planned = None
    if plan is not None:
        planned = f"A visit is planned for {weekday(plan['day'])}" + (
            f", by {plan['person']}." if plan["person"] else "."
        )
    return {
        "title": "How your heat pump starts",
        "account": reader.account,
        "unit": whole["unit"],
        "site": whole["site"],
        "date": local(reader.now, whole["zone"], "%-d %B %Y"),
        "paper": "us-letter" if reader.customary else "a4",
        "say": verdict["say"] if verdict and verdict["say"] else "This unit has not been judged yet.",
        "rule": whole["rule"],
        "seen": _seen(verdict, len(whole["locked_at"])),
        "done": _done(done, whole["zone"]),
        "repair": _repair(verdict),
        "next": [NEXT[verdict["standing"] if verdict else "learning"], *([planned] if planned else [])],
        "please": list(PLEASE),
    }


@cache
def _template() -> bytes:
    return TEMPLATE.read_bytes()


def standalone(gauge: Gauge) -> str:
    """Return the half-second rule as a picture that stands by itself, for paper."""
    drawn = svg(gauge, "head")
    style = f"<style>{ink(repr(FONT))}</style>"
    head, _, rest = drawn.partition(">")
    named = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return f"{named}>{style}{rest}"


def pdf(reader: Reader, unit: str) -> bytes:
    """Return the sheet of a unit as PDF."""
    found = units.find(reader, unit)
    whole = units.whole(reader, unit)
    done, _ = visits.page(reader, found["unit_id"], MOST_VISITS)
    drawn = chart.specification(chart.chart_data(reader, found), CHART_WIDTH)
    drawn["config"]["font"] = FONT
    drawn["background"] = "white"
    inputs = {
        "data": json.dumps(words(reader, whole, done)),
        "rule": standalone(Gauge.of(whole["verdict"], whole["locked_at"])),
        "chart": str(vl_convert.vegalite_to_svg(drawn)),
    }
    made = typst.compile(_template(), format="pdf", sys_inputs=inputs)
    assert isinstance(made, bytes)
    return made


@router.get("/units/{unit:path}/sheet.pdf", responses=ERRORS | NOT_FOUND)
def get_sheet(by: By, unit: UnitName) -> Response:
    """One unit in plain words for its owner, as PDF."""
    headers = {"Content-Disposition": 'inline; filename="sheet.pdf"'}
    return Response(pdf(by, unit), 200, headers, "application/pdf")
