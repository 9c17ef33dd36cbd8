"""Units of which nothing is told until they stand worse."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal
from urllib.parse import quote

from fastapi import APIRouter, Form, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import RedirectResponse

from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, UnitName, json
from api.queries import row, writing
from api.shape import Shape
from api.units import find
from ingest.named_sql import queries

router = APIRouter(tags=["notices"])


class Muted(Shape):
    """Whether notices of a unit are muted until its standing is worse than when they were."""

    muted: bool
    standing: str | None = Field(description="its standing when it was muted")
    muted_at: datetime | None


class NewMuted(BaseModel):
    """Whether to mute notices of a unit until its standing is worse than it is now."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"muted": True}]})

    muted: bool


def mute(reader: Reader, unit_id: int, *, on: bool) -> dict[str, Any]:
    """Mute notices of a unit until it stands worse than now, or take that back; return what holds then."""
    with writing(reader.pool) as conn:
        statement = queries("api", "sql/notices.sql")["mute" if on else "unmute"]
        conn.execute(statement, {"account_id": reader.account_id, "unit_id": unit_id, "at": reader.now})
    return _muted(reader, unit_id)


def _muted(reader: Reader, unit_id: int) -> dict[str, Any]:
    held = row(reader.pool, "notices.muted", reader.account_id, unit_id=unit_id)
    return {"muted": held is not None, **(held or {"standing": None, "muted_at": None})}


@router.get(
    "/v1/units/{unit:path}/notices", response_model=Muted, responses=ERRORS | NOT_FOUND, summary="Is a unit muted"
)
def get_muted(by: By, unit: UnitName) -> Response:
    """Whether notices of a unit are muted."""
    return json(_muted(by, find(by, unit)["unit_id"]))


@router.patch(
    "/v1/units/{unit:path}/notices",
    response_model=Muted,
    responses=ERRORS | NOT_FOUND,
    summary="Mute a unit until it is worse",
)
def patch_muted(by: By, unit: UnitName, asked: NewMuted) -> Response:
    """Mute notices of a unit until its standing is worse than now or it was visited, or take that back."""
    return json(mute(by, find(by, unit)["unit_id"], on=asked.muted))


@router.post("/units/{unit:path}/notices", include_in_schema=False)
def mute_form(by: By, unit: UnitName, do: Annotated[Literal["mute", "unmute"], Form()]) -> Response:
    """Mute a unit until it is worse, or take that back, by the button of its page."""
    mute(by, find(by, unit)["unit_id"], on=do == "mute")
    return RedirectResponse(f"/units/{quote(unit)}", 303)
