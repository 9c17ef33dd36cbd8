"""Visits: what was done at a unit, and when."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Response
from psycopg.types.json import Jsonb
from starlette.exceptions import HTTPException

from api import cursors
from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, NOT_FOUND, Cursor, Limit, UnitName, json
from api.attention import person_id
from api.models import NewVisit, Visit, Visits
from api.queries import Row, rows, writing
from api.units import find, public
from ingest.named_sql import queries

router = APIRouter(tags=["visits"])
EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)


def page(reader: Reader, unit_id: int, limit: int = 50, cursor: str | None = None) -> tuple[list[Row], str | None]:
    """Return one page of a unit's visits, newest first, and the cursor of the next."""
    after = cursors.unpack(cursor, tuple[datetime, int])
    found = rows(
        reader.pool,
        "visits.page",
        reader.account_id,
        unit_id=unit_id,
        after_at=after[0] if after else None,
        after_id=after[1] if after else None,
        limit=limit + 1,
    )
    return cursors.page(found, limit, "at", "visit_id")


def told(reader: Reader, unit_id: int, limit: int = 50, cursor: str | None = None) -> tuple[list[Row], str | None]:
    """Return what `page` does, each visit with what it has changed: `repair`, None where that cannot be told."""
    found, following = page(reader, unit_id, limit, cursor)
    if not found:
        return [], None
    # Verdicts name a visit by its whole second.
    changes = {
        r["at"]: r["repair"]
        for r in rows(reader.pool, "visits.changes", reader.account_id, unit_id=unit_id, since=found[-1]["at"])
    }
    return [{**v, "repair": changes.get(v["at"].replace(microsecond=0))} for v in found], following


def add(reader: Reader, unit_id: int, visit: NewVisit) -> Row:
    """Store a visit, end the plan that it fulfils, and have the unit judged again; the same visit twice is stored once.

    Raises
    ------
    HTTPException
        409 where the time lies before 2000 or after now, the account has no such person, or the key was that of
        another unit's visit.
    """
    if not EARLIEST <= visit.at <= max(reader.now, datetime.now(UTC)):
        raise HTTPException(409, "body.at: must lie between 2000 and now")
    statements = queries("api", "sql/visits.sql")
    plans = queries("api", "sql/work.sql")
    values: dict[str, Any] = {
        "account_id": reader.account_id,
        "unit_id": unit_id,
        "at": visit.at,
        "work": sorted(set(visit.work)),
        "readings": Jsonb(visit.readings),
        "parts": visit.parts,
        "note": visit.note,
        "key": visit.key,
        "person_id": person_id(reader, "body.by", visit.by),
    }
    with writing(reader.pool) as conn:
        new = conn.execute(statements["add"], values).fetchone()
        stored = conn.execute(statements["same"], values).fetchone()
        assert stored is not None
        if stored["unit_id"] != unit_id:
            raise HTTPException(409, "body.key: was that of a visit to another unit; make a new one for each visit")
        if new is not None:
            conn.execute(plans["fulfil_plan"], values)
            conn.execute(statements["dirty"], values)
            conn.execute("notify halfsecond_dirty")
            conn.execute(plans["wake"], values)
    return stored


@router.get(
    "/v1/units/{unit:path}/visits", response_model=Visits, responses=ERRORS | NOT_FOUND, summary="Visits to a unit"
)
def get_visits(by: By, unit: UnitName, limit: Limit = 100, cursor: Cursor = None) -> Response:
    """Visits, newest first, each with what it changed."""
    shown, following = told(by, find(by, unit)["unit_id"], limit, cursor)
    return json({"items": [public(r) for r in shown], "next": following})


@router.post(
    "/v1/units/{unit:path}/visits",
    status_code=201,
    response_model=Visit,
    responses=ERRORS | NOT_FOUND | CONFLICT,
    summary="Log a visit",
)
def post_visit(by: By, unit: UnitName, visit: NewVisit) -> Response:
    """Store what was done; the unit is judged again. Sending the same visit again changes nothing."""
    stored = add(by, find(by, unit)["unit_id"], visit)
    return json({**public(stored), "repair": None}, 201)
