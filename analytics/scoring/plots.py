"""The scorecard's pictures: how soon faults are flagged, and how outlooks come true. One specification each, as SVG."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import vl_convert
from numpy.typing import NDArray

from analytics.scoring import alarms, judge
from analytics.scoring.methods import INNER, Method, found, shipped
from analytics.scoring.run import ALONE, ORACLE, OURS, Result

Floats = NDArray[np.float64]

DELAYS, RELIABILITY = "delays.svg", "reliability.svg"
INK, QUIET, LINE, ACCENT = "#1f262d", "#66717c", "#8a96a2", "#b3541e"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
SPAN_D = 120
WIDTH, HEIGHT = 560, 320


def curves(results: Sequence[Result], every: dict[str, Method]) -> list[dict[str, Any]]:
    """Return the share of faults flagged by days since onset, one entry a method and day."""
    days = np.arange(0.0, SPAN_D + 1, 2.0)
    listed = {OURS: shipped(results)}
    listed |= {name: m.risen for name, m in every.items() if name not in (*INNER, OURS)}
    return [
        {"method": name, "day": day, "share": round(share, 4)}
        for name, risen in listed.items()
        for day, share in zip(days.tolist(), alarms.share_by(found(risen, results).delay_d, days).tolist(), strict=True)
    ]


def delays(data: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the specification of the delay curves; each is named at its end."""
    names = list(dict.fromkeys(d["method"] for d in data))
    colour = {OURS: ACCENT, ALONE: ACCENT, ORACLE: INK}
    dash = {ALONE: [5, 3], ORACLE: [2, 2]}
    ends = _apart({d["method"]: d["share"] for d in data if d["day"] == max(e["day"] for e in data)})
    x = alt.X("day:Q", title="days since the onset of the fault", scale=alt.Scale(domain=[0, SPAN_D], nice=False))
    y = alt.Y("share:Q", title="share of faults flagged", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(format="%"))
    layers: list[Any] = []
    for name in names:
        own = alt.InlineData(values=[d for d in data if d["method"] == name])
        stroke, width = colour.get(name, LINE), 2.4 if name in colour else 1.2
        layers.append(
            alt.Chart(own)
            .mark_line(color=stroke, strokeWidth=width, strokeDash=dash.get(name, [1, 0]))
            .encode(x=x, y=y)
        )
        end = alt.InlineData(values=[{"day": SPAN_D, "share": ends[name], "method": name}])
        layers.append(
            alt.Chart(end)
            .mark_text(align="left", dx=6, fontSize=11, color=colour.get(name, QUIET))
            .encode(x=x, y=y, text="method:N")
        )
    return _dressed(alt.layer(*layers))


def _apart(ends: dict[str, float], least: float = 0.045) -> dict[str, float]:
    """Return heights for labels at the ends of curves, so that none stands on another."""
    out: dict[str, float] = {}
    last = -1.0
    for name, share in sorted(ends.items(), key=lambda item: item[1]):
        last = max(share, last + least)
        out[name] = last
    over = max(last - 1.0, 0.0)
    return {name: height - over for name, height in out.items()}


def reliability(results: Sequence[Result]) -> dict[str, Any]:
    """Return the specification of the reliability plot of lockouts within seven days."""
    stated, came = (np.concatenate([getattr(r.outlooks, name) for r in results]) for name in ("stated", "came"))
    points = judge.reliability(stated, came)
    floor = 1e-4
    shown = [
        {k: max(v, floor) if k != "weeks" else v for k, v in p.items()} | {"label": f"{p['weeks']:,.0f}"}
        for p in points
    ]
    data = alt.InlineData(values=shown)
    scale = alt.Scale(type="log", domain=[floor, 1.0])
    axis = alt.Axis(values=[1e-4, 1e-3, 1e-2, 0.1, 1.0], format="~%")
    x = alt.X("stated:Q", title="stated probability of a lockout within 7 days", scale=scale, axis=axis)
    seen = "share that locked out, with 90 % interval; beside it, weeks"
    y = alt.Y("seen:Q", title=seen, scale=scale, axis=axis)
    # Where none locked out there is no place on a logarithmic scale: only the interval is drawn.
    some = alt.InlineData(values=[p for p in shown if float(p["seen"]) > floor])
    diagonal = alt.InlineData(values=[{"stated": floor, "seen": floor}, {"stated": 1.0, "seen": 1.0}])
    return _dressed(
        alt.layer(
            alt.Chart(diagonal).mark_line(color=LINE, strokeDash=[3, 3], strokeWidth=1).encode(x=x, y=y),
            alt.Chart(data)
            .mark_rule(color=INK, strokeWidth=1.4)
            .encode(x=x, y=alt.Y("low:Q", title=seen, scale=scale, axis=axis), y2="high:Q"),
            alt.Chart(some).mark_circle(color=ACCENT, size=55, opacity=1).encode(x=x, y=y),
            alt.Chart(some)
            .mark_text(align="left", dx=7, dy=9, fontSize=10, color=QUIET)
            .encode(x=x, y=y, text="label:N"),
        )
    )


def _dressed(chart: Any) -> dict[str, Any]:  # noqa: ANN401 - a chart of any kind
    told: dict[str, Any] = (
        chart.properties(width=WIDTH, height=HEIGHT, background="#ffffff")
        .configure(font=FONT, padding=10)
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=QUIET,
            titleColor=QUIET,
            titleFontWeight="normal",
            labelFontSize=12,
            titleFontSize=12,
            gridColor="#e9edf0",
            domainColor=LINE,
            tickColor=LINE,
        )
        .to_dict(validate=False)
    )
    return told


def draw(results: Sequence[Result], every: dict[str, Method], folder: Path) -> list[Path]:
    """Write both pictures into a folder and return their files."""
    made = {DELAYS: delays(curves(results, every)), RELIABILITY: reliability(results)}
    for name, specification in made.items():
        (folder / name).write_text(vl_convert.vegalite_to_svg(specification), encoding="utf-8")
    return [folder / name for name in made]
