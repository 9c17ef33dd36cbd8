"""Units: nameplate, newest verdict, starts and verdicts."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from pydantic import AwareDatetime
from starlette.exceptions import HTTPException

from api import advice, cursors
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, Cursor, Find, Limit, UnitName, json, like
from api.attention import attention
from api.bands import locked_by_temperature
from api.calls import forecast_lows, locked_starts
from api.cautions import cautions
from api.evidence import evidence
from api.fitted import fitted
from api.models import Starts, UnitAnswer, Units, Verdicts
from api.onset import onset
from api.queries import Row, row, rows
from api.rule import Gauge, in_words
from api.slowtrend import slow_trend
from api.verdicts import ordered
from api.waiting import behind, waiting

router = APIRouter(tags=["units"])
bare = APIRouter(tags=["units"])
"""Addresses that end in a unit's name. A name may hold slashes, so these come after every longer address."""
Since = Annotated[AwareDatetime | None, Query(description="from this instant on, RFC 3339 with offset")]
Until = Annotated[AwareDatetime | None, Query(description="before this instant, RFC 3339 with offset")]
Outcome = Annotated[Literal["ran", "locked", "dropped"] | None, Query(description="only starts that went this way")]


def find(reader: Reader, unit: str) -> Row:
    """Return the row of one unit of the reader's account.

    Raises
    ------
    HTTPException
        404 where the account has no such unit.
    """
    found = row(reader.pool, "units.page", reader.account_id, unit=unit, after=None, like=None, limit=1)
    if found is None:
        raise HTTPException(404, f"no unit {unit!r} in this account")
    return found


def public(found: Row) -> Row:
    """Return a row without the database's own numbers."""
    return {k: v for k, v in found.items() if not k.endswith("_id")}


def top_cause(body: dict[str, Any] | None) -> tuple[str | None, float | None]:
    """Return the most likely cause of a verdict and its probability; None where there is none, or none stands out."""
    told = {k: v for k, v in ((body or {}).get("causes") or {}).items() if v is not None}
    if not told:
        return None, None
    name = max(told, key=lambda k: (told[k], k))
    return (None, None) if name == "none" else (name, told[name])


def newest(reader: Reader, unit_id: int) -> dict[str, Any] | None:
    """Return the newest verdict of a unit; None where there is none yet."""
    found = row(reader.pool, "units.newest", reader.account_id, unit_id=unit_id)
    return ordered(found["body"]) if found else None


def whole(reader: Reader, unit: str) -> dict[str, Any]:
    """Return a unit with its newest verdict, its evidence and what to do about it."""
    found = find(reader, unit)
    days_waiting = waiting(reader, found["unit_id"])["days_waiting"]
    body = newest(reader, found["unit_id"])
    locked_at = locked_starts(reader, [found["unit_id"]]).get(found["unit_id"], [])
    low_c = forecast_lows(reader, [found["site"]] if found["site"] else []).get(found["site"])
    cause, _ = top_cause(body)
    standing = body["standing"] if body else "learning"
    return {
        **public(found),
        **attention(reader, found),
        "muted": row(reader.pool, "notices.muted", reader.account_id, unit_id=found["unit_id"]),
        "verdict": body,
        "locked_at": locked_at,
        "locked_by_temperature": [] if standing == "learning" else locked_by_temperature(reader, found["unit_id"]),
        "forecast_low_c": low_c,
        "evidence": evidence(body),
        "measure": advice.measure(standing, cause, found),
        "bring": advice.bring(standing, cause, found),
        "cautions": cautions(found["refrigerant"]),
        "rule": in_words(Gauge.of(body, locked_at)),
        "fitted": fitted(reader, found["unit_id"]),
        "trend": slow_trend(reader, found["unit_id"]),
        "onset": onset(reader, found["unit_id"], body),
        "days_waiting": days_waiting,
        "verdict_late": behind(days_waiting, found["as_of"], reader.now),
        "now": reader.now,
    }


def starts_page(
    reader: Reader,
    unit_id: int,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    outcome: str | None = None,
    limit: int = 50,
    cursor: str | None = None,
) -> tuple[list[Row], str | None]:
    """Return one page of a unit's starts, newest first, and the cursor of the next."""
    after = cursors.unpack(cursor, tuple[datetime, int])
    found = rows(
        reader.pool,
        "units.starts",
        reader.account_id,
        unit_id=unit_id,
        since=since,
        until=until,
        outcome=outcome,
        after_at=after[0] if after else None,
        after_seq=after[1] if after else None,
        limit=limit + 1,
    )
    return cursors.page(found, limit, "at", "seq")


@router.get("/v1/units", response_model=Units, responses=ERRORS | NOT_FOUND, summary="Units")
@router.get("/units.json", include_in_schema=False)
def get_units(by: By, q: Find = None, limit: Limit = 100, cursor: Cursor = None) -> Response:
    """Units of the account by name."""
    after = cursors.unpack(cursor, tuple[str])
    found = rows(
        by.pool,
        "units.page",
        by.account_id,
        unit=None,
        after=after[0] if after else None,
        like=like(q),
        limit=limit + 1,
    )
    shown, following = cursors.page(found, limit, "unit")
    return json({"items": [public(r) for r in shown], "next": following})


@bare.get("/v1/units/{unit:path}", response_model=UnitAnswer, responses=ERRORS | NOT_FOUND, summary="One unit")
@bare.get("/units/{unit:path}.json", include_in_schema=False)
def get_unit(by: By, unit: UnitName) -> Response:
    """A unit, its newest verdict, and what to measure and to bring."""
    return json(whole(by, unit))


@router.get(
    "/v1/units/{unit:path}/starts", response_model=Starts, responses=ERRORS | NOT_FOUND, summary="Starts of a unit"
)
def get_starts(
    by: By,
    unit: UnitName,
    since: Since = None,
    until: Until = None,
    outcome: Outcome = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response:
    """Starts, newest first."""
    unit_id = find(by, unit)["unit_id"]
    shown, following = starts_page(by, unit_id, since=since, until=until, outcome=outcome, limit=limit, cursor=cursor)
    return json({"items": shown, "next": following})


@router.get(
    "/v1/units/{unit:path}/verdicts",
    response_model=Verdicts,
    responses=ERRORS | NOT_FOUND,
    summary="Verdicts of a unit",
)
def get_verdicts(
    by: By, unit: UnitName, since: Since = None, until: Until = None, limit: Limit = 100, cursor: Cursor = None
) -> Response:
    """Verdicts as they were told, newest first."""
    unit_id = find(by, unit)["unit_id"]
    after = cursors.unpack(cursor, tuple[datetime])
    found = rows(
        by.pool,
        "units.verdicts",
        by.account_id,
        unit_id=unit_id,
        since=since,
        until=until,
        after=after[0] if after else None,
        limit=limit + 1,
    )
    shown, following = cursors.page(found, limit, "as_of")
    return json({"items": [ordered(r["body"]) for r in shown], "next": following})
