"""Pictures of one start over time: a recorded wave, and a simulated start with and without start assist.

One specification each, drawn as SVG; the same quiet type and ink as the pages' charts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import altair as alt
import numpy as np
import numpy.typing as npt
import vl_convert

from api.chart import FONT, INK, LINE, QUIET

Array = npt.NDArray[np.float64]

WIDTH = 620
PANEL = 118
MOST_POINTS = 900
FAINT = "#a9b4bf"
Style = Literal["main", "momentary", "other", "load"]
_STYLES: dict[str, dict[str, Any]] = {
    "main": {"color": INK, "strokeWidth": 1.7},
    "momentary": {"color": FAINT, "strokeWidth": 0.9},
    "other": {"color": "#6f8aa5", "strokeWidth": 1.4},
    "load": {"color": QUIET, "strokeWidth": 1.2, "strokeDash": [4, 3]},
}


@dataclass(frozen=True)
class Line:
    """One line of a panel: its name in the picture, time [s], values, and how it is drawn."""

    name: str
    t_s: Array
    values: Array
    style: Style = "main"


@dataclass(frozen=True)
class Panel:
    """One panel: the title of its axis with the unit, its lines, marks (time [s], words), and whether 0 is shown.

    ``reach`` is the largest value either way for which there is room; without it, that of the lines.
    """

    title: str
    lines: Sequence[Line]
    marks: Sequence[tuple[float, str]] = ()
    zero: bool = True
    reach: float | None = None


def thinned(line: Line, span: tuple[float, float], most: int = MOST_POINTS) -> tuple[Array, Array]:
    """Return the part of a line within a span, thinned so that its swings stay: lowest and highest of each piece."""
    inside = (line.t_s >= span[0]) & (line.t_s <= span[1])
    t, values = line.t_s[inside], line.values[inside]
    if len(t) <= most:
        return t, values
    pieces = np.array_split(np.arange(len(t)), most // 2)
    kept = np.unique([i for piece in pieces for i in (piece[values[piece].argmin()], piece[values[piece].argmax()])])
    return t[kept], values[kept]


def specification(
    title: str | None, subtitle: str, panels: Sequence[Panel], span: tuple[float, float], width: int = WIDTH
) -> dict[str, Any]:
    """Return the Vega-Lite specification of panels one above the other over one axis of time.

    Parameters
    ----------
    title, subtitle : str
        Head of the picture; without a title it has none, and what the lines are is left to the words around it.
    panels : sequence of Panel
        From top to bottom.
    span : tuple
        First and last moment shown [s].
    width : int
        Width of a panel [px].
    """
    bare = title is None
    drawn = [_panel(panel, span, width, last=panel is panels[-1], named=not bare) for panel in panels]
    chart = alt.vconcat(*drawn, spacing=14).resolve_scale(x="shared")
    if title is not None:
        head = alt.TitleParams(
            title, subtitle=subtitle, anchor="start", fontSize=16, fontWeight=600, color=INK, subtitleColor=QUIET,
            subtitleFontSize=12, subtitlePadding=4, offset=14,
        )  # fmt: skip
        chart = chart.properties(title=head)
    chart = (
        chart.properties(background="#ffffff")
        .configure(font=FONT, padding=4 if bare else 14)
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=QUIET, titleColor=QUIET, titleFontWeight="normal", labelFontSize=11, titleFontSize=12,
            gridColor="#eef1f3", domainColor=LINE, tickColor=LINE,
        )
    )  # fmt: skip
    made: dict[str, Any] = chart.to_dict(validate=False)
    return made


def _panel(panel: Panel, span: tuple[float, float], width: int, *, last: bool, named: bool) -> Any:  # noqa: ANN401 - altair does not tell its kinds of chart apart
    scale = alt.Scale(domain=span, nice=False)
    axis = alt.Axis(labels=last, ticks=last, format=".1f", tickMinStep=0.1, grid=True, domain=last)
    x = alt.X("t:Q", title="seconds from energising" if last else None, scale=scale, axis=axis)
    upright = alt.Axis(tickCount=4, titlePadding=8)
    reach = panel.reach
    height = alt.Scale(zero=panel.zero) if reach is None else alt.Scale(domain=[-reach, reach])
    y = alt.Y("v:Q", title=panel.title, scale=height, axis=upright)
    order = list(_STYLES)
    layers: list[alt.Chart] = []
    # What matters most is drawn last, over the others, and named first.
    for line in sorted(panel.lines, key=lambda one: -order.index(one.style)):
        t, values = thinned(line, span, min(MOST_POINTS, 3 * width))
        points = [{"t": round(a, 5), "v": round(b, 4)} for a, b in zip(t.tolist(), values.tolist(), strict=True)]
        layers.append(
            alt.Chart(alt.InlineData(values=points)).mark_line(clip=True, **_STYLES[line.style]).encode(x=x, y=y)
        )
    if not named:
        layers += [_pointed_at(line, span, x, y, panel.title) for line in panel.lines if line.style == "main"]
    if panel.marks:
        marks = alt.InlineData(values=[{"t": at, "text": words} for at, words in panel.marks])
        layers.append(alt.Chart(marks).mark_rule(color=INK, strokeDash=[2, 3], strokeWidth=1).encode(x=x))
        text = alt.Chart(marks).mark_text(align="left", dx=5, dy=2, baseline="top", color=INK, fontSize=11)
        layers.append(text.encode(x=x, y=alt.value(0), text="text:N"))
    for place, line in enumerate(sorted(panel.lines, key=lambda one: order.index(one.style)) if named else []):
        name = alt.InlineData(values=[{"text": line.name}])
        color = QUIET if line.style == "momentary" else _STYLES[line.style]["color"]
        label = alt.Chart(name).mark_text(align="left", baseline="top", color=color, fontSize=11, clip=False)
        layers.append(label.encode(x=alt.value(width + 10), y=alt.value(4 + 16 * place), text="text:N"))
    return alt.layer(*layers).properties(width=width, height=PANEL)


def _pointed_at(line: Line, span: tuple[float, float], x: alt.X, y: alt.Y, title: str) -> alt.Chart:
    """Return points that cannot be seen and tell what a line is under the pointer."""
    t, values = thinned(line, span)
    points = [{"t": round(a, 4), "v": round(b, 2)} for a, b in zip(t.tolist(), values.tolist(), strict=True)]
    told = [alt.Tooltip("t:Q", title="s from energising", format=".3f"), alt.Tooltip("v:Q", title=f"{title} RMS")]
    unseen: alt.Chart = alt.Chart(alt.InlineData(values=points)).mark_point(opacity=0, size=90, filled=True, clip=True)
    pointed: alt.Chart = unseen.encode(x=x, y=y, tooltip=told)
    return pointed


def svg(drawn: dict[str, Any]) -> str:
    """Return a specification as SVG."""
    return str(vl_convert.vegalite_to_svg(drawn))
