"""What a unit's starts depend on: run-up time against temperature and against rest."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Literal

import altair as alt
from fastapi import APIRouter, Response

from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.bands import SPAN
from api.chart import (
    INK,
    MOST_LOCKED,
    MOST_POINTS,
    QUIET,
    Width,
    as_picture,
    degrees,
    drawn_once,
    styled,
    thin,
)
from api.queries import Row, rows
from api.rule import HALF_S
from api.units import find

router = APIRouter(include_in_schema=False)

What = Literal["temperature", "rest"]
RECENT = timedelta(days=14)
SLOWEST_S = 2.0
SHORTEST_MIN, LONGEST_MIN = 1.0, 10_000.0
"""Rests shown, in minutes: a minute to about a week."""


def _points(found: list[Row], reader: Reader, what: What) -> list[dict[str, Any]]:
    points = []
    for s in found:
        if what == "temperature":
            x = degrees(reader, s["outdoor_c"])
        else:
            x = None if s["off_s"] is None else min(max(s["off_s"] / 60, SHORTEST_MIN), LONGEST_MIN)
        if x is not None:
            run_up = None if s["run_up_s"] is None else round(s["run_up_s"], 3)
            points.append({"x": round(x, 2), "s": run_up, "recent": s["at"] > reader.now - RECENT})
    return points


def data(reader: Reader, found: Row, what: What) -> dict[str, list[dict[str, Any]]]:
    """Return the starts that ran and those that locked, with the condition that they are drawn over."""
    span = {"since": reader.now - SPAN, "until": reader.now}
    starts = rows(reader.pool, "units.chart", reader.account_id, unit_id=found["unit_id"], **span)
    ran = [s for s in starts if s["outcome"] == "ran" and s["run_up_s"] is not None]
    locked = [s for s in starts if s["outcome"] == "locked"]
    return {
        "ran": _points(thin(ran, MOST_POINTS), reader, what),
        "locked": _points(thin(locked, MOST_LOCKED), reader, what),
    }


def specification(
    shown: dict[str, list[dict[str, Any]]], what: What, width: int | Literal["container"], *, customary: bool
) -> dict[str, Any]:
    """Return the Vega-Lite specification: run-up time over one condition, the last fortnight in front.

    Parameters
    ----------
    shown
        Of `data`.
    what
        The condition: outdoor temperature, or how long the compressor had rested.
    width
        In pixels, or ``container`` to fill the page's own box.
    customary
        Whether temperatures are in °F.
    """
    slowest = max((p["s"] for p in shown["ran"]), default=HALF_S)
    top = min(max(1.2 * HALF_S, 1.1 * slowest), SLOWEST_S)
    if what == "temperature":
        x = alt.X(
            "x:Q",
            title=f"outdoor, {'°F' if customary else '°C'}",
            scale=alt.Scale(zero=False, nice=True),
            axis=alt.Axis(tickCount=6),
        )
    else:
        ticks = [1, 10, 60, 1440, 10_000]
        x = alt.X(
            "x:Q",
            title="rest before the start",
            scale=alt.Scale(type="log", domain=[SHORTEST_MIN, LONGEST_MIN]),
            axis=alt.Axis(
                values=ticks,
                labelExpr="datum.value < 60 ? datum.value + ' min' : datum.value < 1440 ? datum.value / 60 + ' h' :"
                " datum.value < 10000 ? '1 d' : '7 d'",
            ),
        )
    scale = alt.Scale(domain=[0, top], clamp=True)
    y = alt.Y("s:Q", title="run-up time, s", scale=scale)
    dots = alt.Chart(alt.InlineData(values=shown["ran"]))
    tooltip = [alt.Tooltip("s:Q", title="run-up, s"), alt.Tooltip("x:Q", title="at")]
    layers = [
        dots.transform_filter("!datum.recent")
        .mark_circle(color=QUIET, opacity=0.28, size=14, clip=True)
        .encode(x=x, y=y, tooltip=tooltip),
        dots.transform_filter("datum.recent")
        .mark_circle(color=INK, opacity=0.75, size=18, clip=True)
        .encode(x=x, y=y, tooltip=tooltip),
        alt.Chart(alt.InlineData(values=shown["locked"]))
        .transform_calculate(a=f"{top}", b=f"{top * 0.93}")
        .mark_rule(color=INK, strokeWidth=1.6)
        .encode(x=x, y=alt.Y("a:Q", scale=scale), y2="b:Q"),
    ]
    return styled(alt.layer(*layers).properties(width=width, height=190, background="#ffffff00"))


@router.get("/units/{unit:path}/by-{what}.svg", responses=ERRORS | NOT_FOUND)
def get_picture(by: By, unit: UnitName, what: What, width: Width = "360") -> Response:
    """Run-up time against a condition, as SVG."""
    found = find(by, unit)
    return as_picture(
        drawn_once(
            by,
            found,
            (what, int(width)),
            lambda: specification(data(by, found, what), what, int(width) - 60, customary=by.customary),
        )
    )


@router.get("/units/{unit:path}/by-{what}.json", responses=ERRORS | NOT_FOUND)
def get_specification(by: By, unit: UnitName, what: What) -> Response:
    """Run-up time against a condition, as a Vega-Lite specification with its data."""
    return json(specification(data(by, find(by, unit), what), what, "container", customary=by.customary))
