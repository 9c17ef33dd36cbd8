"""What an account sets: the units of its pages, what waiting costs, and how many false alarms it accepts."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, Response
from psycopg.types.json import Jsonb
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from analytics.chosen import SETTABLE, options_of
from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, json
from api.models import NewPreferences, Preferences
from api.queries import writing
from api.render import html
from ingest.named_sql import queries

router = APIRouter(tags=["account"])
NAMES = tuple(one.name for one in SETTABLE)
PER = 100
"""The page asks for false alarms by so many units, since a tenth of an alarm means little to anybody."""


def preferences(reader: Reader) -> dict[str, Any]:
    """Return what holds for the account: what it has set, and else what holds by default."""
    options = options_of(reader.settings)
    units = "us" if reader.customary else "si"
    return {"units": units, **{name: getattr(options, name) for name in NAMES}}


def change(reader: Reader, asked: NewPreferences) -> dict[str, Any]:
    """Store what is set anew, have the units judged by it, and return what holds then.

    Raises
    ------
    HTTPException
        409 where a visit out of hours would cost less than a planned one.
    """
    told = asked.model_dump(exclude_unset=True)
    holds = preferences(reader) | told
    if holds["emergency_visit_cost"] < holds["planned_visit_cost"]:
        raise HTTPException(409, "body.emergency_visit_cost: a visit out of hours costs no less than a planned one")
    statements = queries("api", "sql/accounts.sql")
    with writing(reader.pool) as conn:
        conn.execute(statements["set"], {"account_id": reader.account_id, "changed": Jsonb(told)})
        conn.execute("notify halfsecond_dirty")
    return holds


@router.get("/v1/settings", response_model=Preferences, responses=ERRORS, summary="Settings of the account")
@router.get("/settings.json", include_in_schema=False)
def get_settings(by: By) -> Response:
    """What holds for the account."""
    return json(preferences(by))


@router.patch(
    "/v1/settings", response_model=Preferences, responses=ERRORS | CONFLICT, summary="Change settings of the account"
)
def patch_settings(by: By, asked: NewPreferences) -> Response:
    """Change some settings; what is left out stays. All units are judged anew by them, which takes a while."""
    return json(change(by, asked))


@router.get("/settings", include_in_schema=False)
def settings_page(request: Request, by: By) -> Response:
    """The settings of the account."""
    return html(request, "settings.html", by=by, holds=preferences(by), per=PER, twin="/settings.json")


@router.post("/settings", include_in_schema=False)
def settings_form(
    by: By,
    units: Annotated[str, Form(max_length=10)],
    planned_visit_cost: Annotated[str, Form(max_length=20)],
    emergency_visit_cost: Annotated[str, Form(max_length=20)],
    cold_house_cost: Annotated[str, Form(max_length=20)],
    false_alarms: Annotated[str, Form(max_length=20)],
) -> Response:
    """Store the settings from the form of the page."""
    try:
        asked = NewPreferences.model_validate(
            {
                "units": units,
                "planned_visit_cost": planned_visit_cost,
                "emergency_visit_cost": emergency_visit_cost,
                "cold_house_cost": cold_house_cost,
                "false_alarms_per_unit_year": float(false_alarms) / PER,
            }
        )
    except ValidationError as error:
        first = error.errors()[0]
        raise HTTPException(422, f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from None
    except ValueError:
        raise HTTPException(422, f"false_alarms: not a number, {false_alarms!r}") from None
    change(by, asked)
    return RedirectResponse("/settings", 303)
