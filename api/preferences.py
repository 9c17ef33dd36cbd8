"""What an account sets: units of its pages, what waiting costs, false alarms accepted, and quiet hours."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request, Response
from psycopg.types.json import Jsonb
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from analytics.chosen import SETTABLE, options_of
from api import faults
from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, json
from api.models import NO_NUL, WALL_TIME
from api.queries import writing
from api.render import html
from api.shape import Shape
from ingest.named_sql import queries

router = APIRouter(tags=["account"])
NAMES = tuple(one.name for one in SETTABLE)
PER = 100
"""The page asks for false alarms by so many units, since a tenth of an alarm means little to anybody."""
QUIET = ("quiet_from", "quiet_to", "zone")
WallTime = Annotated[str, Field(pattern=WALL_TIME)]
"""A time of the day by the clock on the wall."""


class Preferences(Shape):
    """What holds for an account. Costs are in any one currency: only how they stand to each other matters."""

    units: Literal["si", "us"] = Field(description="of the pages: °C and kPa, or °F and psig; JSON is always SI")
    planned_visit_cost: float = Field(description="a visit on a day of one's own choosing")
    emergency_visit_cost: float = Field(description="a visit out of hours, because a unit is down")
    kit_cost: float = Field(description="a start kit, which is fitted at once where that is likely to save a visit")
    cold_house_cost: float = Field(description="beyond the visit, a customer without heat in deep cold")
    false_alarms_per_unit_year: float = Field(description="alarms a year accepted from a unit without a fault")
    quiet_from: str | None = Field(description="when quiet hours begin, for people who have none of their own")
    quiet_to: str | None
    zone: str | None = Field(description="whose clock quiet hours and digests go by; null for the site's")


class NewPreferences(BaseModel):
    """What to set anew; a member that is left out stays."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"units": "us", "planned_visit_cost": 180, "emergency_visit_cost": 420}]},
    )

    units: Literal["si", "us"] = "si"
    planned_visit_cost: Annotated[float, Field(ge=0.01, le=1_000_000)] = 1.0
    emergency_visit_cost: Annotated[float, Field(ge=0.01, le=1_000_000)] = 2.5
    kit_cost: Annotated[float, Field(ge=0, le=1_000_000)] = 0.5
    cold_house_cost: Annotated[float, Field(ge=0, le=1_000_000)] = 4.0
    false_alarms_per_unit_year: Annotated[float, Field(ge=0.001, le=10)] = 0.1
    quiet_from: WallTime | None = None
    quiet_to: WallTime | None = None
    zone: Annotated[str, Field(min_length=1, max_length=64, pattern=NO_NUL)] | None = None


def preferences(reader: Reader) -> dict[str, Any]:
    """Return what holds for the account: what it has set, and else what holds by default."""
    options = options_of(reader.settings)
    units = "us" if reader.customary else "si"
    return {
        "units": units,
        **{name: getattr(options, name) for name in NAMES},
        **{name: reader.settings.get(name) for name in QUIET},
    }


def change(reader: Reader, asked: NewPreferences) -> dict[str, Any]:
    """Store what is set anew, have the units judged by it, and return what holds then.

    Raises
    ------
    HTTPException
        409 where a visit out of hours would cost less than a planned one, quiet hours have one end only, or there is
        no such time zone.
    """
    told = asked.model_dump(exclude_unset=True)
    holds = preferences(reader) | told
    if holds["emergency_visit_cost"] < holds["planned_visit_cost"]:
        raise HTTPException(409, "body.emergency_visit_cost: a visit out of hours costs no less than a planned one")
    if (holds["quiet_from"] is None) != (holds["quiet_to"] is None):
        raise HTTPException(409, "body.quiet_from, quiet_to: give both ends of the quiet hours, or neither")
    if holds["zone"] is not None and not _is_zone(holds["zone"]):
        raise HTTPException(409, "body.zone: no time zone is called so; write one such as America/Denver")
    statements = queries("api", "sql/accounts.sql")
    with writing(reader.pool) as conn:
        conn.execute(statements["set"], {"account_id": reader.account_id, "changed": Jsonb(told)})
        conn.execute("notify halfsecond_dirty")
    return holds


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, LookupError):
        return False
    return True


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
    kit_cost: Annotated[str, Form(max_length=20)],
    cold_house_cost: Annotated[str, Form(max_length=20)],
    false_alarms: Annotated[str, Form(max_length=20)],
    quiet_from: Annotated[str, Form(max_length=10)] = "",
    quiet_to: Annotated[str, Form(max_length=10)] = "",
    zone: Annotated[str, Form(max_length=64)] = "",
) -> Response:
    """Store the settings from the form of the page."""
    try:
        asked = NewPreferences.model_validate(
            {
                "units": units,
                "planned_visit_cost": planned_visit_cost,
                "emergency_visit_cost": emergency_visit_cost,
                "kit_cost": kit_cost,
                "cold_house_cost": cold_house_cost,
                "false_alarms_per_unit_year": float(false_alarms) / PER,
                "quiet_from": quiet_from[:5] or None,
                "quiet_to": quiet_to[:5] or None,
                "zone": zone.strip() or None,
            }
        )
    except ValidationError as error:
        raise HTTPException(422, faults.line(error)) from None
    except ValueError:
        raise HTTPException(422, f"false_alarms: not a number, {false_alarms!r}") from None
    change(by, asked)
    return RedirectResponse("/settings", 303)
