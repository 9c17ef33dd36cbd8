"""The picture of start assist: starting torque and run-up time over the size of the start capacitor."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import altair as alt
import msgspec
import vl_convert

from api.chart import BAND, INK, QUIET, styled

FRAME = 70
"""What a picture needs beside its panels [px]."""


def specification(answer: Mapping[str, Any], width: int) -> dict[str, Any]:
    """Return the Vega-Lite specification: two panels over one axis of capacitance.

    Parameters
    ----------
    answer
        Of `api.assist.assist`: its curve, ratings and cases are drawn.
    width
        Of a panel, in pixels.
    """
    curve, ratings = answer["curve"], answer["ratings"]
    points = [
        {"uf": uf, "torque": torque, "run_up": run_up}
        for uf, torque, run_up in zip(curve["start_cap_uf"], curve["torque_nm"], curve["run_up_s"], strict=True)
    ]
    scale = alt.Scale(domain=[0, max(curve["start_cap_uf"])], nice=False)
    span = [{"low": ratings["low_uf"], "high": ratings["high_uf"]}] if ratings else []

    told = [
        alt.Tooltip("uf:Q", title="start capacitor, µF", format=".0f"),
        alt.Tooltip("torque:Q", title="torque, N·m", format=".1f"),
        alt.Tooltip("run_up:Q", title="run-up, s", format=".2f"),
    ]

    def panel(field: str, title: str, height: int, extra: list[Any], *, last: bool) -> Any:  # noqa: ANN401 - altair does not tell its kinds of chart apart
        axis = alt.Axis(labels=last, ticks=last, domain=last, tickCount=5)
        below = "start capacitor, µF" if last else None
        x = alt.X("uf:Q", title=below, scale=scale, axis=axis)
        y = alt.Y(f"{field}:Q", title=title, scale=alt.Scale(zero=True), axis=alt.Axis(tickCount=4))
        rows = alt.InlineData(values=points)
        return alt.layer(
            alt.Chart(alt.InlineData(values=span))
            .mark_rect(color=BAND, opacity=0.55)
            .encode(x=alt.X("low:Q", title=below, scale=scale, axis=axis), x2="high:Q"),
            *extra,
            alt.Chart(rows).mark_line(color=INK, strokeWidth=2).encode(x=x, y=y),
            alt.Chart(rows).mark_circle(color=INK, size=18, opacity=1).encode(x=x, y=y, tooltip=told),
        ).properties(width=width, height=height)

    load = [{"v": curve["load_nm"], "text": "load at standstill"}]
    asked = [
        alt.Chart(alt.InlineData(values=load)).mark_rule(color=QUIET, strokeDash=[4, 3]).encode(y="v:Q"),
        alt.Chart(alt.InlineData(values=load))
        .mark_text(align="right", dy=-6, color=QUIET, fontSize=11)
        .encode(x=alt.value(width - 4), y="v:Q", text="text:N"),
    ]
    panels = alt.vconcat(
        panel("torque", "torque, N·m", 150, asked, last=False),
        panel("run_up", "run-up, s", 110, [], last=True),
        spacing=12,
    )
    return styled(panels.properties(background="#ffffff00"))


@lru_cache(maxsize=200)
def _drawn(told: bytes, width: int) -> str:
    return str(vl_convert.vegalite_to_svg(specification(msgspec.json.decode(told), width)))


def picture(answer: Mapping[str, Any], width: int) -> str:
    """Return the picture as SVG; drawn once for each answer and width [px]."""
    told = msgspec.json.encode({name: answer[name] for name in ("curve", "ratings")})
    return _drawn(told, width - FRAME)
