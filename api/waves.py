"""Sampled starts of a unit: the few that are kept, as half-cycle RMS and as pictures on common axes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, Query, Response
from pydantic import Field
from starlette.exceptions import HTTPException

from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.chart import Exactly, Width, as_picture, drawn_once
from api.queries import Row
from api.shape import Shape
from api.units import find
from ingest.halfcycle import half_cycle_rms
from ingest.store import waves as store
from ingest.wave import Figures
from ingest.wavefile import Recording

router = APIRouter(tags=["units"])
ORDER: tuple[store.Kept, ...] = ("before_visit", "after_visit", "locked", "ran")
"""In which they are shown: what belongs together side by side."""
FIGURES = ("run_up_s", "peak_a", "run_a", "line_v", "line_min_v", "outdoor_c")
FRAME = 78
"""What a picture needs beside its panels [px]."""

Which = Annotated[store.Kept | None, Query(description="why it is kept; without it the newest")]


class Sampled(Shape):
    """A sampled start: half-cycle RMS (IEC 61000-4-30) over the cycle that ends at each moment from energising on."""

    kept: Literal["ran", "locked", "before_visit", "after_visit"] = Field(description="why it is kept")
    at: datetime
    seq: int
    outcome: Literal["ran", "locked", "dropped"] | None
    run_up_s: float | None
    peak_a: float | None
    run_a: float | None
    line_v: float | None
    line_min_v: float | None
    outdoor_c: float | None
    rate_hz: float
    hz: int
    t_s: list[float] = Field(description="seconds from energising, or of the record where that is not in it")
    current_a: list[float]
    voltage_v: list[float] | None


class SampledStarts(Shape):
    """The sampled starts that are kept of a unit: one for each reason, the newest first."""

    items: list[Sampled]
    next: str | None


def kept(reader: Reader, unit_id: int) -> list[dict[str, Any]]:
    """Return the sampled starts of a unit, newest first, with their samples."""
    with reader.pool.connection() as conn:
        return [dict(found) for found in store.of_unit(conn, reader.account_id, unit_id)]


def told(found: Row) -> dict[str, Any]:
    """Return one as JSON tells it: half-cycle RMS in place of the samples."""
    rms = {name: _rms(found, name) for name in ("current_a", "voltage_v")}
    half_s = 0.5 / found["hz"]
    # Each figure stands for the cycle that it ends.
    t_s = half_s * (np.arange(len(rms["current_a"] or [])) + 2) - (found["energised_s"] or 0.0)
    return {
        **{n: v for n, v in found.items() if n not in {*rms, "energised_s"}},
        "t_s": np.round(t_s, 4).tolist(),
        **rms,
    }


def _rms(found: Row, name: str) -> list[float] | None:
    values = found[name]
    return None if values is None else np.round(half_cycle_rms(values, found["rate_hz"], found["hz"]), 2).tolist()


def shown(found: Sequence[Row]) -> list[Row]:
    """Return those that a page shows, each start once: before a visit, after it, the last locked, the last that ran."""
    by_reason = {one["kept"]: one for one in found}
    chosen: dict[tuple[datetime, int], Row] = {}
    for reason in ORDER:
        if reason in by_reason:
            one = by_reason[reason]
            chosen.setdefault((one["at"], one["seq"]), one)
    return list(chosen.values())


def specification(found: Sequence[Row], one: Row, width: int) -> dict[str, Any]:
    """Return the Vega-Lite specification of one sampled start, on axes that fit all that are kept of the unit."""
    from api.startpictures import among, shown_s  # noqa: PLC0415 - the motor's compiled code, for the other picture

    both = [(_recording(each), _figures(each)) for each in found]
    spans = [shown_s(*each) for each in both]
    span = min(first for first, _ in spans), max(last for _, last in spans)
    reach = tuple(
        1.05 * max((float(np.abs(v).max()) for each in found if (v := each[name]) is not None), default=1.0)
        for name in ("current_a", "voltage_v")
    )
    return among(_recording(one), _figures(one), span, (reach[0], reach[1]), width - FRAME)


def _recording(one: Row) -> Recording:
    return Recording(current_a=one["current_a"], voltage_v=one["voltage_v"], rate_hz=one["rate_hz"], hz=one["hz"])


def _figures(one: Row) -> Figures:
    return Figures(energised_s=one["energised_s"], run_up_s=one["run_up_s"], outcome=one["outcome"])


@router.get(
    "/v1/units/{unit:path}/waves",
    response_model=SampledStarts,
    responses=ERRORS | NOT_FOUND,
    summary="Sampled starts of a unit",
)
@router.get("/units/{unit:path}/waves.json", include_in_schema=False)
def get_waves(by: By, unit: UnitName) -> Response:
    """The few sampled starts that are kept: the last that ran, the last that locked, and those about the last visit."""
    return json({"items": [told(one) for one in kept(by, find(by, unit)["unit_id"])], "next": None})


def _chosen(reader: Reader, place: Row, which: store.Kept | None) -> tuple[list[Row], Row]:
    found = kept(reader, place["unit_id"])
    one = next((each for each in found if which in (None, each["kept"])), None)
    if one is None:
        raise HTTPException(404, "no sampled start is kept of this unit for that reason")
    return found, one


@router.get("/units/{unit:path}/wave.json", responses=ERRORS | NOT_FOUND, include_in_schema=False)
def get_specification(by: By, unit: UnitName, which: Which = None, width: Exactly = 360) -> Response:
    """One sampled start as a Vega-Lite specification with its data."""
    return json(specification(*_chosen(by, find(by, unit), which), width))


@router.get("/units/{unit:path}/wave.svg", responses=ERRORS | NOT_FOUND, include_in_schema=False)
def get_picture(by: By, unit: UnitName, which: Which = None, width: Width = "360") -> Response:
    """One sampled start as SVG."""
    place = find(by, unit)
    found, one = _chosen(by, place, which)
    name = f"wave {one['kept']} {one['at'].isoformat()} {len(found)}"
    return as_picture(drawn_once(by, place, (name, int(width)), lambda: specification(found, one, int(width))))
