"""What people do about a call: say that it was seen, put it off, plan a visit; and the account's people."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from fastapi import APIRouter, Response
from starlette.exceptions import HTTPException

from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, NOT_FOUND, UnitName, json
from api.attention import attention, person_id
from api.counts import forget
from api.models import Attention, NewAttention, NewPerson, NewPlan, People, Person
from api.queries import Row, rows, writing
from api.units import find
from ingest.named_sql import queries

router = APIRouter(tags=["work"])
LONGEST_SNOOZE = timedelta(days=60)
LONGEST_PLAN = timedelta(days=366)


def change(reader: Reader, found: Row, asked: NewAttention) -> dict[str, Any]:
    """Change what was done about a unit's call, and return what holds then.

    Raises
    ------
    HTTPException
        409 where a time or a day cannot be, or the account has no such person.
    """
    statements = queries("api", "sql/work.sql")
    values: dict[str, Any] = {
        "account_id": reader.account_id,
        "unit_id": found["unit_id"],
        "standing": found["standing"],
        "at": reader.now,
    }
    told = asked.model_fields_set
    until = asked.snoozed_until
    if until is not None and not reader.now < until <= reader.now + LONGEST_SNOOZE:
        raise HTTPException(409, "body.snoozed_until: must lie after now, and at most 60 days ahead")
    planned = _plan_values(reader, asked.plan) if asked.plan is not None else None
    with writing(reader.pool) as conn:
        if "acknowledged" in told:
            conn.execute(
                statements["acknowledge"],
                values if asked.acknowledged else {**values, "at": None, "standing": None},
            )
        if "snoozed_until" in told:
            conn.execute(statements["snooze"], {**values, "until": until})
        if "plan" in told:
            # Two who plan at once would both find no open plan: the second waits for the first here.
            conn.execute(statements["lock_plan"], values)
            conn.execute(statements["end_plan"], values)
        if planned is not None:
            conn.execute(statements["make_plan"], values | planned)
        conn.execute(statements["wake"], values)
    forget(reader)
    return attention(reader, found)


def _plan_values(reader: Reader, plan: NewPlan) -> dict[str, Any]:
    today = reader.now.date()
    # The site's calendar may be a day off from UTC's.
    if not today - timedelta(days=1) <= plan.day <= today + LONGEST_PLAN:
        raise HTTPException(409, "body.plan.day: must lie between today and a year ahead")
    return {
        "person_id": person_id(reader, "body.plan.person", plan.person),
        "day": plan.day,
        "note": plan.note or None,
    }


def people(reader: Reader) -> list[Row]:
    """Return the people of the account by name."""
    return rows(reader.pool, "work.people", reader.account_id)


def add_person(reader: Reader, person: NewPerson) -> Row:
    """Add somebody to the account.

    Raises
    ------
    HTTPException
        409 where the name is taken, or would not show.
    """
    name = person.name.strip()
    if not name or not name.isprintable():
        raise HTTPException(409, "body.name: needs printable letters")
    values = {**person.model_dump(), "name": name, "account_id": reader.account_id}
    with writing(reader.pool) as conn:
        added = conn.execute(queries("api", "sql/work.sql")["add_person"], values).fetchone()
    if added is None:
        raise HTTPException(409, f"body.name: there is a {name!r} already; add initials")
    return added


@router.patch(
    "/v1/units/{unit:path}/call",
    response_model=Attention,
    responses=ERRORS | NOT_FOUND | CONFLICT,
    summary="Acknowledge a call, put it off, plan a visit",
)
def patch_call(by: By, unit: UnitName, asked: NewAttention) -> Response:
    """Change what was done about a unit's call. Seen and put off lapse when the unit's standing gets worse."""
    return json(change(by, find(by, unit), asked))


@router.get("/v1/people", response_model=People, responses=ERRORS, summary="People")
@router.get("/people.json", include_in_schema=False)
def get_people(by: By) -> Response:
    """Who works with the call list, by name."""
    return json({"items": people(by), "next": None})


@router.post("/v1/people", status_code=201, response_model=Person, responses=ERRORS | CONFLICT, summary="Add a person")
def post_person(by: By, person: NewPerson) -> Response:
    """Add somebody to the account."""
    return json(add_person(by, person), 201)
