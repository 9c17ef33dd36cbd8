"""The call list: units in the order of what waiting would cost."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from fastapi import APIRouter, Response

from api import cursors
from api.access import By, Reader
from api.advice import bring
from api.answers import ERRORS, NOT_FOUND, Cursor, Limit, json
from api.attention import plan_of
from api.choice import Choice, Chosen
from api.counts import begun
from api.evidence import why
from api.models import Calls
from api.queries import Row, rows
from api.rule import Gauge, in_words
from api.verdicts import ordered
from api.waiting import behind
from api.words import FLAGGED

router = APIRouter(tags=["calls"])
FORTNIGHT = timedelta(days=14)
OUTLOOK = timedelta(days=7)
SITES = 25
"""Sites on one page of the list by site."""
MOST_OF_SITES = 500
"""Units on one page of the list by site."""


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
        "area": found["area"],
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
        "acknowledged_at": found["acknowledged_at"],
        "snoozed_until": found["snoozed_until"],
        "plan": plan_of(found),
    }


def _items(reader: Reader, shown: list[Row]) -> list[dict[str, Any]]:
    locked = locked_starts(reader, [r["unit_id"] for r in shown])
    lows = forecast_lows(reader, sorted({r["site"] for r in shown if r["site"]}))
    return [item(r, locked.get(r["unit_id"], []), lows.get(r["site"])) for r in shown]


def _page(reader: Reader, choice: Choice, limit: int, after: tuple[float, int] | None) -> list[Row]:
    return rows(
        reader.pool,
        "calls.page",
        reader.account_id,
        **choice.values(),
        sort=choice.sort,
        gravest=list(FLAGGED),
        now=reader.now,
        after_key=after[0] if after else None,
        after_id=after[1] if after else None,
        limit=limit,
    )


def _beside(reader: Reader, counts: dict[str, Any], shown: list[Row]) -> dict[str, Any]:
    """Return what stands beside the rows of a list: counts, and of which instant its verdicts are."""
    # As each verdict tells it, to the second.
    as_of = min((datetime.fromisoformat(r["body"]["as_of"]) for r in shown), default=None)
    late = behind(counts["days_waiting"], as_of, reader.now)
    return {**counts, "as_of": as_of, "verdicts_late": late, "now": reader.now}


def call_list(reader: Reader, choice: Choice, *, limit: int = 50, cursor: str | None = None) -> dict[str, Any]:
    """Return one page of the call list, with counts of the whole account beside it."""
    after = cursors.unpack(cursor, tuple[float, int])
    counts = begun(reader)
    shown, following = cursors.page(_page(reader, choice, limit + 1, after), limit, "key", "unit_id")
    return {"items": _items(reader, shown), "next": following, **_beside(reader, counts(), shown)}


def sites_list(reader: Reader, choice: Choice, *, cursor: str | None = None) -> dict[str, Any]:
    """Return one page of the call list by site, the site of the gravest unit first.

    Only units that ask for attention are listed unless standings are chosen: a site is visited for these.
    """
    after = cursors.unpack(cursor, tuple[float, str])
    counts = begun(reader)
    asking = replace(choice, standing=choice.standing or list(FLAGGED), sort="rank")
    found = rows(
        reader.pool,
        "calls.sites",
        reader.account_id,
        **asking.values(),
        gravest=list(FLAGGED),
        now=reader.now,
        after_key=after[0] if after else None,
        after_site=after[1] if after else None,
        limit=SITES + 1,
    )
    sites, following = cursors.page(found, SITES, "key", "site")
    names = [s["site"] for s in sites]
    shown = _page(reader, replace(asking, site=names), MOST_OF_SITES, None) if names else []
    items = _items(reader, shown)
    return {
        "sites": [{"site": name, "items": [i for i in items if i["site"] == name]} for name in names],
        "next": following,
        **_beside(reader, counts(), shown),
    }


@router.get("/v1/calls", response_model=Calls, responses=ERRORS | NOT_FOUND, summary="The call list")
@router.get("/calls.json", include_in_schema=False)
def get_calls(by: By, choice: Chosen, limit: Limit = 50, cursor: Cursor = None) -> Response:
    """Units in the order of what waiting would cost, `down` first, each with its newest verdict."""
    return json(call_list(by, choice, limit=limit, cursor=cursor))
