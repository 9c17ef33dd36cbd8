"""The call list: units in the order of what waiting would cost."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response

from analytics.verdict import CauseName, StandingName
from api import cursors
from api.access import By, Reader
from api.advice import bring
from api.answers import ERRORS, NOT_FOUND, Cursor, Find, Limit, Name, json, like
from api.evidence import why
from api.models import Calls
from api.queries import Row, rows
from api.rule import Gauge, in_words
from api.verdicts import ordered
from api.words import STANDINGS

router = APIRouter(tags=["calls"])
FORTNIGHT = timedelta(days=14)
OUTLOOK = timedelta(days=7)
Sort = Literal["rank", "drift", "outlook"]

Standings = Annotated[list[StandingName] | None, Query(description="only these standings", max_length=7)]
Causes = Annotated[list[CauseName] | None, Query(description="only these most likely causes", max_length=6)]
Sites = Annotated[list[Name] | None, Query(description="only these sites", max_length=50)]
Models = Annotated[list[Name] | None, Query(description="only these models", max_length=50)]
Sorted = Annotated[Sort, Query(description="rank: what waiting would cost; drift; outlook: lockout within 7 days")]


def locked_starts(reader: Reader, unit_ids: Sequence[int]) -> dict[int, list[datetime]]:
    """Return the locked starts of the last fortnight of some units, by unit id."""
    found: defaultdict[int, list[datetime]] = defaultdict(list)
    since = reader.now - FORTNIGHT
    for r in rows(
        reader.pool, "calls.locked", reader.account_id, unit_ids=list(unit_ids), since=since, until=reader.now
    ):
        found[r["unit_id"]].append(r["at"])
    return found


def forecast_lows(reader: Reader, sites: Sequence[str]) -> dict[str, float]:
    """Return the lowest temperature [°C] of the next 7 days in the newest forecast of some sites."""
    if not sites:
        return {}
    found = rows(
        reader.pool,
        "calls.lows",
        reader.account_id,
        sites=list(sites),
        since=reader.now,
        until=reader.now + OUTLOOK,
    )
    return {r["site"]: r["outdoor_c"] for r in found}


def item(found: Row, locked_at: list[datetime], low_c: float | None) -> dict[str, Any]:
    """Return one row of the call list: the verdict as it was stored, and what goes with it."""
    body = ordered(found["body"])
    cause = found["cause"] if found["cause"] not in (None, "none") else None
    return {
        **body,
        "site": found["site"],
        "zone": found["zone"],
        "model": found["model"],
        "rank": found["rank"],
        "cause": cause,
        "cause_probability": found["probability"] if cause else None,
        "locked_at": locked_at,
        "forecast_low_c": low_c,
        "why": why(body),
        "bring": bring(body["standing"], cause, found),
        "rule": in_words(Gauge.of(body, locked_at)),
        "last_at": found["last_at"],
    }


def call_list(
    reader: Reader,
    *,
    standing: Sequence[str] | None = None,
    cause: Sequence[str] | None = None,
    site: Sequence[str] | None = None,
    model: Sequence[str] | None = None,
    q: str | None = None,
    sort: Sort = "rank",
    limit: int = 50,
    cursor: str | None = None,
) -> dict[str, Any]:
    """Return one page of the call list, with counts of the whole account beside it."""
    after = cursors.unpack(cursor, tuple[float, int])
    found = rows(
        reader.pool,
        "calls.page",
        reader.account_id,
        standings=list(standing) if standing else None,
        causes=list(cause) if cause else None,
        sites=list(site) if site else None,
        models=list(model) if model else None,
        like=like(q),
        sort=sort,
        after_key=after[0] if after else None,
        after_id=after[1] if after else None,
        limit=limit + 1,
    )
    shown, following = cursors.page(found, limit, "key", "unit_id")
    locked = locked_starts(reader, [r["unit_id"] for r in shown])
    lows = forecast_lows(reader, sorted({r["site"] for r in shown if r["site"]}))
    counts = {r["standing"]: r["units"] for r in rows(reader.pool, "calls.standings", reader.account_id)}
    return {
        "items": [item(r, locked.get(r["unit_id"], []), lows.get(r["site"])) for r in shown],
        "next": following,
        "standings": {s: counts[s] for s in STANDINGS if s in counts},
        "causes": {r["cause"]: r["units"] for r in rows(reader.pool, "calls.causes", reader.account_id)},
        "now": reader.now,
    }


@router.get("/v1/calls", response_model=Calls, responses=ERRORS | NOT_FOUND, summary="The call list")
@router.get("/calls.json", include_in_schema=False)
def get_calls(
    by: By,
    standing: Standings = None,
    cause: Causes = None,
    site: Sites = None,
    model: Models = None,
    q: Find = None,
    sort: Sorted = "rank",
    limit: Limit = 50,
    cursor: Cursor = None,
) -> Response:
    """Units in the order of what waiting would cost, `down` first, each with its newest verdict."""
    return json(
        call_list(
            by, standing=standing, cause=cause, site=site, model=model, q=q, sort=sort, limit=limit, cursor=cursor
        )
    )
