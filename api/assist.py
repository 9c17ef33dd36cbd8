"""What start assist would do for one unit: as JSON and as a page with its picture."""

from __future__ import annotations

import math
from collections import OrderedDict
from datetime import timedelta
from threading import Lock
from typing import Any
from urllib.parse import quote

import numpy as np
from fastapi import APIRouter, Request, Response
from starlette.exceptions import HTTPException

from analytics.assisted import Case, Plate, Sizing, Spread
from analytics.tables import RESTARTS, decay_s
from api import assistchart
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.assistmodels import Assist
from api.cautions import cautions
from api.chart import Exactly, Width
from api.quantities import KPA_PER_PSI
from api.queries import Row, row, rows
from api.render import html
from api.units import find
from api.verdicts import ordered
from api.words import CAUSES
from ingest.errors import BadInputError

router = APIRouter(tags=["units"])

WINDOW = timedelta(days=60)
MOST_STARTS, MOST_RESTS = 3_000, 200
KITS = ["start_kit_fitted", "start_kit_replaced"]
PLATE = (
    "tons", "rla_a", "lra_a", "volts", "run_cap_uf", "start_gear", "start_cap_uf", "metering", "compressor",
    "refrigerant",
)  # fmt: skip
CASES: dict[str, str] = {
    "as_is": "As it is",
    "least": "Least of the range",
    "common": "Common size",
    "most": "Most of the range",
    "too_large": "Too large",
}
HOW: dict[str, str] = {"measured": "measured", "from rests": "from the decay after stops", "assumed": "assumed"}
ALWAYS = (
    "An inverter-driven or three-phase compressor takes no start capacitor.",
    "The equipment maker's listed start kit decides: capacitor and relay are matched to the compressor's windings.",
    "One set of start gear only: what the kit's instructions say comes out, a thermistor above all, comes out.",
    "A start capacitor is made for short use, often 20 starts an hour of 3 s (from memory; its own sheet decides).",
)
"""What holds whatever the sizing finds."""


def _column(found: list[Row], name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([math.nan if r[name] is None else r[name] for r in found], dtype=np.float64)


def _rested(found: list[Row]) -> list[tuple[float, float]]:
    """Return decay constant [s] and difference at the stop [kPa] of each rest that shows both."""
    told = []
    for r in found:
        t_s, left = np.asarray(r["t_s"], float), _less(r["liquid_kpa"], r["suction_kpa"])
        if len(t_s) != len(left) or not len(left):
            continue
        tau_s = decay_s(t_s, left)
        if math.isfinite(tau_s) and 1.0 < tau_s < 7200.0:
            told.append((tau_s, float(np.nanmax(left))))
    return told


def _less(one: list[float | None], other: list[float | None]) -> np.ndarray[Any, np.dtype[np.float64]]:
    pairs = zip(one, other, strict=False)
    return np.array([math.nan if a is None or b is None else a - b for a, b in pairs], dtype=np.float64)


def _sized(reader: Reader, found: Row, plate: Plate, work: Row, causes: dict[str, float | None] | None) -> Sizing:
    from analytics.assist import sizing  # noqa: PLC0415 - the motor's compiled code, which no other page wants
    from analytics.conditions import Seen  # noqa: PLC0415

    span = {"unit_id": found["unit_id"], "since": reader.now - WINDOW, "until": reader.now}
    starts = rows(reader.pool, "assist.starts", reader.account_id, **span, limit=MOST_STARTS)
    rests = rows(reader.pool, "assist.rests", reader.account_id, **span, limit=MOST_RESTS)
    # Voltage and use are what they were; how the unit starts, and what its pressures do, may have changed.
    changed = work["changed_at"] or span["since"]
    since = np.array([r["at"] >= changed for r in starts], dtype=bool)
    rested = _rested([r for r in rests if r["at"] >= changed])
    own = {"run_up_s", "suction_kpa", "liquid_kpa"}
    measured = (
        "run_up_s", "line_v", "line_min_v", "peak_a", "close_deg", "off_s", "outdoor_c", "suction_kpa", "liquid_kpa",
    )  # fmt: skip
    arrays = {n: np.where(since | (n not in own), _column(starts, n), np.nan) for n in measured}
    seen = Seen(
        **arrays,
        locked=np.array([r["outcome"] == "locked" for r in starts], dtype=bool) & since,
        cooling=np.array([r["mode"] == "cooling" for r in starts], dtype=bool),
        tau_s=np.array([tau for tau, _ in rested]),
        stop_kpa=np.array([stop for _, stop in rested]),
    )
    return sizing(plate, seen, causes)


def _interval(figure: Spread, digits: int) -> dict[str, float | None]:
    return {k: None if v is None else round(v, digits) for k, v in vars(figure).items()}


def _case(case: Case) -> dict[str, Any]:
    return {
        **vars(case),
        "total_uf": round(case.total_uf, 1),
        "torque_nm": _interval(case.torque_nm, 1),
        "run_up_s": _interval(case.run_up_s, 3),
        "stalled": _interval(case.stalled, 2),
        "in_circuit_s": None if case.in_circuit_s is None else round(case.in_circuit_s, 3),
        "capacitor_peak_v": round(case.capacitor_peak_v),
        "relay_peak_v": round(case.relay_peak_v),
    }


def _body(sized: Sizing) -> dict[str, Any]:
    """Return a sizing in the shape of the answer, to the digits that it deserves."""
    line, left, ratings = sized.line, sized.remaining_kpa, sized.ratings
    return {
        "finding": sized.finding,
        "say": sized.say,
        "conditions": {
            "days": WINDOW.days,
            "starts": sized.starts,
            "locked": sized.locked,
            "line_v": {
                "worst": round(line.worst, 1),
                "usual": round(line.usual, 1),
                "values": line.values,
                "how": line.how,
            },
            "remaining_kpa": {
                "worst": round(left.value or 0.0),
                "usual": round(sized.remaining_usual_kpa),
                "values": sized.remaining.values,
                "how": sized.remaining.how,
                "worst_low": None if left.low is None else round(left.low),
                "worst_high": None if left.high is None else round(left.high),
            },
            "source_ohm": round(sized.source_ohm, 3),
            "source_how": sized.source_how,
            "run_up": {
                "measured_s": None if sized.match.measured_s is None else round(sized.match.measured_s, 3),
                "from_plate_s": None if sized.match.modelled_s is None else round(sized.match.modelled_s, 3),
                "starts": sized.match.starts,
                "fits": sized.match.fits,
            },
        },
        "cases": [_case(case) for case in (sized.as_is, *sized.cases)],
        "ratings": ratings
        and {
            "low_uf": ratings.low_uf,
            "high_uf": ratings.high_uf,
            "capacitor_v": round(ratings.capacitor_v),
            "pick_up_low_v": round(ratings.pick_up_low_v),
            "pick_up_high_v": round(ratings.pick_up_high_v),
            "in_circuit_s": None if ratings.in_circuit_s is None else round(ratings.in_circuit_s, 3),
        },
        "curve": {
            "start_cap_uf": list(sized.curve.start_cap_uf),
            "torque_nm": [round(v, 2) for v in sized.curve.torque_nm],
            "run_up_s": [None if v is None else round(v, 3) for v in sized.curve.run_up_s],
            "load_nm": round(sized.curve.load_nm, 2),
        },
        "causes": [vars(one) for one in sized.speaks],
        "assumptions": list(sized.assumptions),
    }


_answers: OrderedDict[tuple[object, ...], dict[str, Any]] = OrderedDict()
_lock, _motor = Lock(), Lock()
MOST_ANSWERS = 500


def assist(reader: Reader, unit: str) -> dict[str, Any]:
    """Return what start assist would do for a unit; worked out once for each verdict, start, visit and nameplate.

    Raises
    ------
    HTTPException
        404 where the account has no such unit, 422 where its nameplate is not that of a single-phase compressor.
    """
    found = find(reader, unit)
    newest = row(reader.pool, "units.newest", reader.account_id, unit_id=found["unit_id"])
    work = row(
        reader.pool,
        "assist.work",
        reader.account_id,
        unit_id=found["unit_id"],
        restarts=sorted(RESTARTS),
        kits=KITS,
        until=reader.now,
    ) or {"changed_at": None, "kit_at": None}
    plate = Plate(**{name: found[name] for name in PLATE})
    if work["kit_at"] is not None and plate.start_gear in (None, "none"):
        # The log of visits knows better than a record that nobody has changed since.
        plate = Plate(**{**vars(plate), "start_gear": "relay_kit"})
    key = (
        reader.pool.conninfo,
        reader.account_id,
        found["unit_id"],
        found["as_of"],
        found["last_at"],
        work["changed_at"],
        plate,
    )
    with _lock:
        made = _answers.get(key)
        if made is not None:
            _answers.move_to_end(key)
    if made is None:
        try:
            # One at a time: the motor takes a core for a few tenths of a second.
            with _motor:
                made = _body(_sized(reader, found, plate, work, ordered(newest["body"])["causes"] if newest else None))
        except BadInputError as error:
            raise HTTPException(422, str(error)) from None
        with _lock:
            _answers[key] = made
            while len(_answers) > MOST_ANSWERS:
                _answers.popitem(last=False)
    return {
        "unit": found["unit"],
        "site": found["site"],
        "zone": found["zone"],
        "as_of": found["as_of"],
        "now": reader.now,
        **made,
        "always": list(ALWAYS),
        "cautions": cautions(found["refrigerant"]),
    }


def pressure_difference(kilopascals: float | None, *, customary: bool) -> str:
    """Return a pressure difference [kPa] as text, in psi where customary units are set."""
    if kilopascals is None:
        return "–"
    return f"{kilopascals / KPA_PER_PSI:.0f} psi" if customary else f"{kilopascals:.0f} kPa"


@router.get(
    "/v1/units/{unit:path}/assist",
    response_model=Assist,
    responses=ERRORS | NOT_FOUND,
    summary="What start assist would do for a unit",
)
@router.get("/units/{unit:path}/assist.json", include_in_schema=False)
def get_assist(by: By, unit: UnitName) -> Response:
    """A comparison at the unit's worst recent conditions, and ratings to look for among the maker's listed kits."""
    return json(assist(by, unit))


@router.get("/units/{unit:path}/assist-chart.json", include_in_schema=False)
def get_specification(by: By, unit: UnitName, width: Exactly = 760) -> Response:
    """The curves over the size of the start capacitor as a Vega-Lite specification with its data."""
    return json(assistchart.specification(assist(by, unit), width - assistchart.FRAME))


@router.get("/units/{unit:path}/assist.svg", include_in_schema=False)
def get_picture(by: By, unit: UnitName, width: Width = "760") -> Response:
    """The curves over the size of the start capacitor as SVG."""
    headers = {
        "Cache-Control": "private, max-age=60",
        # An SVG document styles itself; it may load nothing and run nothing.
        "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'",
    }
    return Response(assistchart.picture(assist(by, unit), int(width)), 200, headers, "image/svg+xml")


@router.get("/units/{unit:path}/assist", include_in_schema=False, response_class=Response)
def assist_page(request: Request, by: By, unit: UnitName) -> Response:
    """What start assist would do for a unit."""
    return html(
        request,
        "assist.html",
        by=by,
        a=assist(by, unit),
        names=CASES,
        how=HOW,
        causes=CAUSES,
        difference=pressure_difference,
        twin=f"/units/{quote(unit)}/assist.json",
    )
