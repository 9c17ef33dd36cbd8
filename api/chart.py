"""The run-up chart of a unit: one specification, drawn by script in the page and as SVG without it and in print."""

from __future__ import annotations

import gzip
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import zip_longest
from threading import Lock
from typing import Annotated, Any, Literal

import altair as alt
import vl_convert
from fastapi import APIRouter, Query, Request, Response

from api import visits
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.bands import SPAN
from api.quantities import zone
from api.queries import Row, rows
from api.rule import HALF_S, Gauge
from api.units import find, newest
from api.words import WORK

router = APIRouter(include_in_schema=False)

LABELS: tuple[tuple[str, Literal["left", "right"], int], ...] = (("true", "right", -4), ("false", "left", 4))
"""A visit's label stands to the left of its line where the line is near the right edge, else to the right."""
UNBROKEN = timedelta(days=2)
"""Days without a figure, as while a unit is learned again after a visit, break the band and its line beyond this."""
MOST_POINTS = 500
MOST_LOCKED = 150
SLOWEST_S = 2.0
INK, QUIET, BAND, LINE = "#1f262d", "#66717c", "#c4ced8", "#8a96a2"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
Width = Annotated[Literal["360", "760", "1100"], Query(description="width of the picture in pixels")]


Exactly = Annotated[int, Query(ge=240, le=1200, description="width of the place that it is drawn in, in pixels")]


def thin(found: Sequence[Row], most: int) -> list[Row]:
    """Return at most about ``most`` rows, evenly in order."""
    step = max(1, -(-len(found) // most))
    return list(found[::step])


def _wall(at: datetime, zone_name: str) -> str:
    # The scale is told that these are UTC, so that every reader sees the site's wall clock, not his own.
    return at.astimezone(zone(zone_name)).strftime("%Y-%m-%dT%H:%M:%SZ")


def degrees(reader: Reader, celsius: float | None) -> float | None:
    """Return an air temperature [°C] in the account's degrees."""
    return round(celsius * 9 / 5 + 32, 1) if celsius is not None and reader.customary else celsius


def chart_data(reader: Reader, found: Row) -> dict[str, list[dict[str, Any]]]:
    """Return points, band, locked starts, onset and visits of a unit's chart, times on the site's wall clock."""
    unit_id, where = found["unit_id"], found["zone"]
    span = {"since": reader.now - SPAN, "until": reader.now}
    starts = rows(reader.pool, "units.chart", reader.account_id, unit_id=unit_id, **span)
    ran = [s for s in starts if s["outcome"] == "ran" and s["run_up_s"] is not None]
    locked = [s for s in starts if s["outcome"] == "locked"]
    band = []
    for r in rows(reader.pool, "units.band", reader.account_id, unit_id=unit_id, **span):
        gauge = Gauge("", r["expected_s"], r["now_s"], r["low"], r["high"])
        if gauge.band_s is not None:
            low, high = gauge.band_s
            band.append(
                {"t": _wall(r["as_of"], where), "low": round(low, 4), "high": round(high, 4), "now": r["now_s"]}
            )
    begin = starts[0]["at"] if starts else span["since"]
    band = [row for one, next_ in zip_longest(band, band[1:]) for row in _parted(one, next_)]
    done = [v for v in visits.page(reader, unit_id, 20)[0] if v["at"] >= span["since"]]
    return {
        "ran": [
            {"t": _wall(s["at"], where), "s": round(s["run_up_s"], 3), "c": degrees(reader, s["outdoor_c"])}
            for s in thin(ran, MOST_POINTS)
        ],
        "locked": [
            {"t": _wall(s["at"], where), "c": degrees(reader, s["outdoor_c"])} for s in thin(locked, MOST_LOCKED)
        ],
        "band": band,
        "onset": _onset(newest(reader, unit_id), where, begin + (reader.now - begin) / 2),
        "visits": [
            {
                "t": _wall(v["at"], where),
                "work": ", ".join(WORK.get(w, w) for w in v["work"]),
                "late": v["at"] > reader.now - (reader.now - begin) / 3,
            }
            for v in done
        ],
    }


def _parted(one: dict[str, Any], following: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Return a day's row of the band, and after it one without values where days are missing: no line crosses them."""
    if following is None or datetime.fromisoformat(following["t"]) - datetime.fromisoformat(one["t"]) <= UNBROKEN:
        return [one]
    return [one, {"t": one["t"], "low": None, "high": None, "now": None}]


def _onset(body: Mapping[str, Any] | None, zone_name: str, middle: datetime) -> list[dict[str, Any]]:
    """Return since when starts are harder, or lock more often, one row for each that is alarmed."""
    rows_ = []
    for part, words in (("run_up", "slower since"), ("locked", "locks more since")):
        told = (body or {}).get(part) or {}
        if told.get("alarm") and told.get("since"):
            day = date.fromisoformat(told["since"])
            at = datetime.combine(day, time(), UTC)
            what = f"{words} {day:%-d %b}"
            rows_.append({"t": _wall(at, zone_name), "what": what, "of": part, "late": at > middle})
    return rows_


def specification(data: dict[str, list[dict[str, Any]]], width: int | Literal["container"]) -> dict[str, Any]:
    """Return the Vega-Lite specification of the chart.

    Parameters
    ----------
    data
        Of `chart_data`.
    width
        In pixels, or ``container`` to fill the page's own box.
    """
    slowest = max((p["s"] for p in data["ran"]), default=HALF_S)
    top = min(max(1.2 * HALF_S, 1.1 * slowest), SLOWEST_S)
    narrow = isinstance(width, int) and width < 500
    x = alt.X(
        "t:T", title=None, scale=alt.Scale(type="utc"), axis=alt.Axis(format="%-d %b", tickCount=4 if narrow else 7)
    )
    y_scale = alt.Scale(domain=[0, top], clamp=True)
    when = alt.Tooltip("t:T", title="site time", format="%-d %b %H:%M", timeUnit="utcyearmonthdatehoursminutes")

    def rows_of(name: str) -> alt.InlineData:
        return alt.InlineData(values=data[name])

    layers = [
        alt.Chart(rows_of("band"))
        .mark_area(color=BAND, opacity=0.75, interpolate="monotone")
        .encode(x=x, y=alt.Y("low:Q", scale=y_scale, title="run-up time, s"), y2="high:Q"),
        alt.Chart(rows_of("ran"))
        .mark_circle(color=QUIET, opacity=0.45, size=14, clip=True)
        .encode(
            x=x,
            y=alt.Y("s:Q", scale=y_scale),
            tooltip=[when, alt.Tooltip("s:Q", title="run-up, s"), alt.Tooltip("c:Q", title="outdoor, °")],
        ),
        alt.Chart(rows_of("band"))
        .mark_line(color=INK, strokeWidth=2, interpolate="monotone", clip=True)
        .encode(x=x, y=alt.Y("now:Q", scale=y_scale)),
        alt.Chart(rows_of("locked"))
        .transform_calculate(a=f"{top}", b=f"{top * 0.93}")
        .mark_rule(color=INK, strokeWidth=1.6)
        .encode(
            x=x,
            y=alt.Y("a:Q", scale=y_scale),
            y2="b:Q",
            tooltip=[when, alt.Tooltip("c:Q", title="locked, outdoor °")],
        ),
        alt.Chart(rows_of("visits"))
        .mark_rule(color=LINE, strokeDash=[3, 3], strokeWidth=1.2)
        .encode(x=x, tooltip=[when, alt.Tooltip("work:N", title="visit")]),
        *(
            alt.Chart(rows_of("visits"))
            .transform_filter(f"datum.late === {late}")
            .mark_text(align=align, dx=dx, color=QUIET, fontSize=11, limit=180)
            .encode(x=x, y=alt.value(30), text="work:N")
            for late, align, dx in LABELS
        ),
        alt.Chart(rows_of("onset"))
        .mark_rule(color=INK, strokeDash=[1, 3], strokeWidth=1.4)
        .encode(x=x, tooltip=[when, alt.Tooltip("what:N", title="onset")]),
        *(
            alt.Chart(rows_of("onset"))
            .transform_filter(f"datum.late === {late} && datum.of === '{part}'")
            .mark_text(align=align, dx=dx, color=INK, fontSize=11)
            .encode(x=x, y=alt.value(y), text="what:N")
            for late, align, dx in LABELS
            for y, part in ((46, "run_up"), (62, "locked"))
        ),
    ]
    chart = alt.layer(*layers).properties(width=width, height=210 if narrow else 270, background="#ffffff00")
    return styled(chart)


def styled(chart: Any) -> dict[str, Any]:  # noqa: ANN401 - altair does not tell its kinds of chart apart
    """Return the specification of a chart in the type and ink of the pages."""
    quiet = (
        chart.configure(font=FONT, padding=4)
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
    )
    drawn: dict[str, Any] = quiet.to_dict(validate=False)
    return drawn


_pictures: OrderedDict[tuple[object, ...], str] = OrderedDict()
_lock = Lock()
MOST_PICTURES = 200


def picture(reader: Reader, found: Row, width: int) -> str:
    """Return the run-up chart as SVG."""
    return drawn_once(reader, found, ("run-up", width), lambda: specification(chart_data(reader, found), width - 60))


def drawn_once(reader: Reader, found: Row, what: tuple[str, int], make: Callable[[], dict[str, Any]]) -> str:
    """Return a chart of a unit as SVG; drawn once for each verdict, newest start, newest visit and width."""
    newest = visits.page(reader, found["unit_id"], 1)[0]
    when = (found["as_of"], found["last_at"], newest[0]["added_at"] if newest else None, reader.customary)
    key = (reader.account_id, found["unit_id"], *when, *what)
    with _lock:
        if key in _pictures:
            _pictures.move_to_end(key)
            return _pictures[key]
    drawn = str(vl_convert.vegalite_to_svg(make()))
    with _lock:
        _pictures[key] = drawn
        while len(_pictures) > MOST_PICTURES:
            _pictures.popitem(last=False)
    return drawn


def as_picture(svg: str) -> Response:
    """Return an answer with a picture that may load and run nothing."""
    headers = {
        # Asked for again with its tag each time: a chart from before the visit that was just logged would mislead.
        "Cache-Control": "private, no-cache",
        # An SVG document styles itself.
        "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'",
    }
    return Response(svg, 200, headers, "image/svg+xml")


@router.get("/units/{unit:path}/run-up.svg", responses=ERRORS | NOT_FOUND)
def get_picture(by: By, unit: UnitName, width: Width = "1100") -> Response:
    """The run-up chart as SVG."""
    return as_picture(picture(by, find(by, unit), int(width)))


@router.get("/units/{unit:path}/run-up.json", responses=ERRORS | NOT_FOUND)
def get_specification(by: By, unit: UnitName) -> Response:
    """The run-up chart as a Vega-Lite specification with its data."""
    return json(specification(chart_data(by, find(by, unit)), "container"))


@cache
def bundle() -> bytes:
    """Return the script that draws specifications, gzipped: made once a process from the installed converter."""
    snippet = "window.drawChart = (place, spec, options) => vegaEmbed(place, spec, options);"
    return gzip.compress(vl_convert.javascript_bundle(snippet).encode())


@router.get("/charts.js")
def get_bundle(request: Request) -> Response:
    """The script that draws specifications, from our own origin."""
    headers = {"Cache-Control": "public, max-age=86400", "Vary": "Accept-Encoding"}
    body = bundle()
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return Response(gzip.decompress(body), 200, headers, "text/javascript")
    return Response(body, 200, {**headers, "Content-Encoding": "gzip"}, "text/javascript")
