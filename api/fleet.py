"""Cohorts, intake and forecasts: what is seen across units rather than of one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from fastapi import APIRouter, Response
from starlette.exceptions import HTTPException

from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, SiteName, json
from api.models import Cohorts, Intake, SiteForecast
from api.queries import row, rows

router = APIRouter(tags=["fleet"])
SILENT_AFTER_H = 24.0
"""A device not heard for this long by the account's clock is listed as silent [h]; common practice, no source."""
MOST_SILENT = 200
CLOCK_S = 120.0
"""A clock that is ahead by less is not listed [s]; common practice, no source."""
CLOCK_SPAN = timedelta(days=2)
RATE_MIN = 10
"""Span over which the present rate is taken [min]."""


def share(flagged: int, judged: int) -> tuple[float | None, float | None, float | None]:
    """Return the share of units flagged, with its 90 % interval by Wilson's method; nulls where none is judged.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.1.
    """
    if judged == 0:
        return None, None, None
    from analytics.intervals import share as interval_of  # noqa: PLC0415 - scipy, which only cohorts want

    interval = interval_of(flagged, judged)
    return flagged / judged, float(interval.low), float(interval.high)


def cohorts(reader: Reader) -> list[dict[str, Any]]:
    """Return every cohort with its counts, the share flagged, and whether that stands out from all other units."""
    from analytics.peers import against_others, pool  # noqa: PLC0415 - scipy, likewise

    found = rows(reader.pool, "fleet.cohorts", reader.account_id, now=reader.now)
    everyone = next((r for r in found if r["by"] == "all"), {"flagged": 0, "judged": 0})
    apart = [r for r in found if r["by"] != "all"]
    against = against_others([(r["flagged"], r["judged"]) for r in apart], everyone["flagged"], everyone["judged"])
    by_cohort = {(r["by"], r["value"]): one for r, one in zip(apart, against, strict=True)}
    pooled = {}
    for by in {r["by"] for r in apart}:
        alike = [r for r in apart if r["by"] == by]
        shares = pool([(r["flagged"], r["judged"]) for r in alike])
        pooled.update({(by, r["value"]): one for r, one in zip(alike, shares, strict=True)})
    items = []
    for r in found:
        mean, low, high = share(r["flagged"], r["judged"])
        told, drawn = by_cohort.get((r["by"], r["value"])), pooled.get((r["by"], r["value"]))
        items.append(
            {
                **r,
                "share": mean,
                "low": low,
                "high": high,
                "pooled_share": drawn and drawn.share,
                "pooled_low": drawn and drawn.low,
                "pooled_high": drawn and drawn.high,
                "others_share": told and told.others_share,
                "stands_out": told and told.stands_out,
            }
        )
    return items


def campaign(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the cohorts that are flagged more often than their peers, the largest pooled share first."""
    return sorted((c for c in items if c["stands_out"] == "more"), key=lambda c: -c["pooled_share"])


def intake(reader: Reader) -> dict[str, Any]:
    """Return rates, lag, quarantine and silent devices."""
    wall = datetime.now(UTC)
    hour = row(reader.pool, "fleet.received", reader.account_id, since=wall - timedelta(hours=1)) or {}
    recent = row(reader.pool, "fleet.received", reader.account_id, since=wall - timedelta(minutes=RATE_MIN)) or {}
    silent = rows(
        reader.pool,
        "fleet.silent",
        reader.account_id,
        before=reader.now - timedelta(hours=SILENT_AFTER_H),
        limit=MOST_SILENT,
    )
    return {
        "now": reader.now,
        "last_hour": hour,
        "stored_a_minute": round(recent.get("stored", 0) / RATE_MIN, 2),
        **(row(reader.pool, "fleet.lag", reader.account_id) or {}),
        **(row(reader.pool, "fleet.devices", reader.account_id) or {}),
        **(row(reader.pool, "fleet.missing", reader.account_id) or {}),
        "gaps": rows(reader.pool, "fleet.gaps", reader.account_id, limit=MOST_SILENT),
        "clocks": rows(
            reader.pool, "fleet.clocks", reader.account_id, since=wall - CLOCK_SPAN, least_s=CLOCK_S, limit=MOST_SILENT
        ),
        "quarantine": rows(reader.pool, "fleet.quarantine", reader.account_id, operator=reader.operator),
        "silent_after_h": SILENT_AFTER_H,
        "items": silent,
        "next": None,
    }


@router.get("/v1/cohorts", response_model=Cohorts, responses=ERRORS, summary="Cohorts")
@router.get("/cohorts.json", include_in_schema=False)
def get_cohorts(by: By) -> Response:
    """Units by model, metering device, start gear, age and area, with the share that asks for attention."""
    return json({"items": cohorts(by), "next": None})


@router.get("/v1/intake", response_model=Intake, responses=ERRORS, summary="Intake")
@router.get("/intake.json", include_in_schema=False)
def get_intake(by: By) -> Response:
    """How the intake does; `items` are the silent devices."""
    return json(intake(by))


@router.get(
    "/v1/forecasts/{site}", response_model=SiteForecast, responses=ERRORS | NOT_FOUND, summary="Forecast of a site"
)
def get_forecast(by: By, site: SiteName) -> Response:
    """The newest forecast that was issued by now."""
    place = row(by.pool, "fleet.site", by.account_id, site=site)
    if place is None:
        raise HTTPException(404, f"no site {site!r} in this account")
    hours = rows(by.pool, "fleet.forecast", by.account_id, site=site, until=by.now)
    return json(
        {
            "site": place["site"],
            "zone": place["zone"],
            "issued": hours[0]["issued"] if hours else None,
            "items": [{"at": h["at"], "outdoor_c": h["outdoor_c"]} for h in hours],
            "next": None,
        }
    )
