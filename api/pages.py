"""The pages: server-rendered, readable without script, each with its JSON twin."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request, Response

from api import fleet, made, photos, restchart, units, visits, waves, work
from api.access import By
from api.answers import UnitName, json
from api.render import html

router = APIRouter(include_in_schema=False, default_response_class=Response)
bare = APIRouter(include_in_schema=False, default_response_class=Response)
"""Pages whose address ends in a unit's name, which may hold slashes: after every longer address."""


@bare.get("/units/{unit:path}")
def unit_page(request: Request, by: By, unit: UnitName) -> Response:
    """One unit."""
    whole = units.whole(by, unit)
    unit_id = units.find(by, unit)["unit_id"]
    starts, _ = units.starts_page(by, unit_id, limit=12)
    locked, _ = units.starts_page(by, unit_id, outcome="locked", limit=8)
    done, _ = visits.told(by, unit_id, 20)
    cause, probability = units.top_cause(whole["verdict"])
    return html(
        request,
        "unit.html",
        by=by,
        u=whole,
        v=whole["verdict"],
        cause=cause,
        probability=probability,
        starts=starts,
        locked=locked,
        visits=done,
        has_rests=restchart.has_rests(by, unit_id),
        sampled=waves.shown(waves.kept(by, unit_id)),
        photos=photos.newest(by, unit_id, 3),
        today=by.now.date(),
        people=[p["name"] for p in work.people(by)],
        twin=f"/units/{quote(unit)}.json",
    )


@router.get("/cohorts")
def cohorts_page(request: Request, by: By) -> Response:
    """Cohorts."""
    items = fleet.cohorts(by)
    return html(request, "cohorts.html", by=by, cohorts=items, campaign=fleet.campaign(items), twin="/cohorts.json")


@router.get("/intake")
def intake_page(request: Request, by: By) -> Response:
    """Intake."""
    return html(request, "intake.html", by=by, intake=fleet.intake(by), twin="/intake.json")


@router.get("/patterns")
def patterns_page(request: Request, by: By) -> Response:
    """Every element of the pages on one sheet, with made data, for review."""
    return html(request, "patterns.html", by=by, calls=made.CALLS, twin="/patterns.json")


@router.get("/patterns.json")
def get_patterns() -> Response:
    """The made verdicts of that sheet, each with its locked starts of a fortnight."""
    return json({"items": [{**verdict, "locked_14d": locked} for verdict, locked in made.CALLS], "next": None})
