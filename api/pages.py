"""The pages: server-rendered, readable without script, each with its JSON twin."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form, Request, Response
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import fleet, made, units, visits
from api.access import By
from api.answers import UnitName
from api.models import NewVisit
from api.quantities import zone
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
    done, _ = visits.page(by, unit_id, 20)
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
        here=datetime.now(zone(whole["zone"])) if by.now is None else by.now.astimezone(zone(whole["zone"])),
        twin=f"/units/{quote(unit)}.json",
    )


@router.post("/units/{unit:path}/visits")
def log_visit(
    by: By,
    unit: UnitName,
    at: Annotated[str, Form(max_length=40)],
    work: Annotated[list[str], Form()],
    parts: Annotated[str, Form(max_length=4_000)] = "",
    note: Annotated[str, Form(max_length=4_000)] = "",
) -> Response:
    """Store a visit from the form of the unit page; its time is on the site's wall clock."""
    found = units.find(by, unit)
    try:
        instant = datetime.fromisoformat(at)
    except ValueError:
        raise HTTPException(422, "at: not a date and time") from None
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=zone(found["zone"]))
    try:
        visit = NewVisit.model_validate(
            {
                "at": instant,
                "work": work,
                "parts": [line.strip() for line in parts.splitlines() if line.strip()],
                "note": note.strip() or None,
            }
        )
    except ValidationError as error:
        first = error.errors()[0]
        raise HTTPException(422, f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from None
    visits.add(by, found["unit_id"], visit)
    return RedirectResponse(f"/units/{quote(unit)}#visits", 303)


@router.get("/cohorts")
def cohorts_page(request: Request, by: By) -> Response:
    """Cohorts."""
    return html(request, "cohorts.html", by=by, cohorts=fleet.cohorts(by), twin="/cohorts.json")


@router.get("/intake")
def intake_page(request: Request, by: By) -> Response:
    """Intake."""
    return html(request, "intake.html", by=by, intake=fleet.intake(by), twin="/intake.json")


@router.get("/patterns")
def patterns_page(request: Request, by: By) -> Response:
    """Every element of the pages on one sheet, with made data, for review."""
    return html(request, "patterns.html", by=by, calls=made.CALLS, twin=None)
