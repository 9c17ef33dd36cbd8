"""How the pressures come together after a stop, where a logger measures them: one line a rest."""

from __future__ import annotations

import math
from typing import Any, Literal

import altair as alt
from fastapi import APIRouter, Response

from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.bands import SPAN
from api.chart import INK, QUIET, Width, as_picture, drawn_once, styled, thin
from api.conditions import RECENT
from api.quantities import KPA_PER_PSI
from api.queries import Row, rows
from api.units import find

router = APIRouter(include_in_schema=False)
MOST_RESTS = 400
SHOWN = 12
"""Rests shown of the last fortnight, and as many of what was earlier."""
LONGEST_MIN = 15.0
"""What is shown of a rest [min]: a control commonly waits five before it starts again (common practice, no source)."""
EVEN_MIN = 2.0
"""Where pressures need longer than this to even out, start assist is considered (common practice, no source) [min]."""
MOST_POINTS = 40


def has_rests(reader: Reader, unit_id: int) -> bool:
    """Return whether there is anything to draw."""
    span = {"since": reader.now - SPAN, "until": reader.now}
    return bool(rows(reader.pool, "units.has_rests", reader.account_id, unit_id=unit_id, **span))


def _points(rest: Row, number: int, reader: Reader) -> list[dict[str, Any]]:
    recent = rest["at"] > reader.now - RECENT
    points = []
    for t_s, suction, liquid in zip(rest["t_s"], rest["suction_kpa"], rest["liquid_kpa"], strict=True):
        known = suction is not None and liquid is not None and math.isfinite(suction) and math.isfinite(liquid)
        if known and t_s <= 60 * LONGEST_MIN:
            apart = (liquid - suction) / (KPA_PER_PSI if reader.customary else 1.0)
            points.append({"n": number, "t": round(t_s / 60, 2), "p": round(apart, 1), "recent": recent})
    return thin(points, MOST_POINTS)


def data(reader: Reader, found: Row) -> list[dict[str, Any]]:
    """Return the points of the rests shown: minutes after the stop, and how far the pressures are apart."""
    span = {"since": reader.now - SPAN, "until": reader.now}
    rests = rows(reader.pool, "units.rests", reader.account_id, unit_id=found["unit_id"], limit=MOST_RESTS, **span)
    recent = [r for r in rests if r["at"] > reader.now - RECENT]
    earlier = rests[len(recent) :]
    shown = thin(earlier, SHOWN) + thin(recent, SHOWN)
    return [point for number, rest in enumerate(shown) for point in _points(rest, number, reader)]


def specification(
    points: list[dict[str, Any]], width: int | Literal["container"], *, customary: bool
) -> dict[str, Any]:
    """Return the Vega-Lite specification of the rests: how far the pressures are apart over the time since the stop.

    Parameters
    ----------
    points
        Of `data`.
    width
        In pixels, or ``container`` to fill the page's own box.
    customary
        Whether pressures are in psi.
    """
    lines = alt.Chart(alt.InlineData(values=points))
    x = alt.X("t:Q", title="minutes after the stop", scale=alt.Scale(domain=[0, LONGEST_MIN]))
    y = alt.Y("p:Q", title=f"liquid less suction, {'psi' if customary else 'kPa'}", scale=alt.Scale(zero=True))
    once = lines.transform_aggregate(points="count()")
    two = alt.XDatum(EVEN_MIN, scale=alt.Scale(domain=[0, LONGEST_MIN]))
    layers = [
        lines.transform_filter("!datum.recent")
        .mark_line(color=QUIET, opacity=0.35, strokeWidth=1, clip=True)
        .encode(x=x, y=y, detail="n:N"),
        lines.transform_filter("datum.recent")
        .mark_line(color=INK, opacity=0.75, strokeWidth=1.4, clip=True)
        .encode(x=x, y=y, detail="n:N"),
        once.mark_rule(color=QUIET, strokeDash=[4, 3]).encode(x=two),
        once.mark_text(color=QUIET, align="left", baseline="top", dx=4, text=f"{EVEN_MIN:.0f} min").encode(
            x=two, y=alt.value(2)
        ),
    ]
    return styled(alt.layer(*layers).properties(width=width, height=190, background="#ffffff00"))


@router.get("/units/{unit:path}/rests.svg", responses=ERRORS | NOT_FOUND)
def get_picture(by: By, unit: UnitName, width: Width = "760") -> Response:
    """The rests of a unit, as SVG."""
    found = find(by, unit)
    return as_picture(
        drawn_once(
            by,
            found,
            ("rests", int(width)),
            lambda: specification(data(by, found), int(width) - 70, customary=by.customary),
        )
    )


@router.get("/units/{unit:path}/rests.json", responses=ERRORS | NOT_FOUND)
def get_specification(by: By, unit: UnitName) -> Response:
    """The rests of a unit, as a Vega-Lite specification with its data."""
    return json(specification(data(by, find(by, unit)), "container", customary=by.customary))
