"""How long repairs hold by kind of work, and how often units lock out by cohort."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any, Literal

from fastapi import APIRouter, Request, Response
from pydantic import Field

from analytics.tables import RESTARTS
from api.access import By, Reader
from api.answers import ERRORS, json
from api.queries import rows
from api.render import html
from api.shape import Shape
from api.words import WORK

router = APIRouter(tags=["fleet"])

REPAIRS_D, LOCKOUTS_D = 730, 365
MOST_REPAIRS = 20_000
KEPT = timedelta(minutes=10)
NOT_REPAIRS = {"sensor", "other"}


class Estimate(Shape):
    """A figure with its 90 % interval; null where it cannot be told."""

    value: float | None
    low: float | None
    high: float | None


class KindOfWork(Shape):
    """How one kind of work holds: until the unit locks out or the same work is done again."""

    work: str
    visits: int
    ended: int
    held_90d: Estimate = Field(description="share still holding after 90 days (Kaplan-Meier)")
    held_365d: Estimate
    median_d: float | None
    weibull_shape: float | None = Field(description="below 1 ends come early, above 1 with age")
    weibull_scale_d: float | None
    p: float | None = Field(description="log-rank against all other work")
    early: int = Field(description="ended within 90 days")
    early_of: int
    early_share: Estimate = Field(description="Wilson's interval")
    stands_out: Literal["more", "fewer"] | None = Field(description="outside the chart of proportions of all work")


class LockoutCohort(Shape):
    """First lockouts of the units that share a model, a metering device or a start gear."""

    by: Literal["all", "model", "metering", "start_gear"]
    value: str | None
    units: int
    locked_out: int
    unit_years: float
    per_100_years: Estimate = Field(description="exact interval")
    ratio: Estimate = Field(description="to the rate of all other units, exact interval")
    p: float | None
    stands_out: Literal["more", "fewer"] | None = Field(description="at a false-discovery rate of 0.1")


class Repairs(Shape):
    """Kinds of work as `items`, and cohorts of units."""

    now: datetime
    repairs_days: int
    lockouts_days: int
    items: list[KindOfWork]
    lockouts: list[LockoutCohort]
    next: str | None


def _rounded(value: Any) -> Any:  # noqa: ANN401 - a tree of plain values
    if isinstance(value, float):
        return float(f"{value:.4g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return value


_told: dict[tuple[str, int], dict[str, Any]] = {}


def repairs(reader: Reader) -> dict[str, Any]:
    """Return how long repairs hold over two years, and how often units lock out over one; at most ten minutes old."""
    key = (str(reader.pool.conninfo), reader.account_id)
    last = _told.get(key)
    # A hundred thousand units take a second, and what is asked changes by the day.
    if last is None or not timedelta() <= reader.now - last["now"] < KEPT:
        last = _told[key] = _made(reader)
    return last


def _made(reader: Reader) -> dict[str, Any]:
    import numpy as np  # noqa: PLC0415 - what only this page wants

    from analytics import holding  # noqa: PLC0415

    done = rows(
        reader.pool,
        "repairs.held",
        reader.account_id,
        since=reader.now - timedelta(days=REPAIRS_D),
        until=reader.now,
        kinds=[w for w in WORK if w not in NOT_REPAIRS],
        restarts=sorted(RESTARTS),
        limit=MOST_REPAIRS,
    )
    kinds = holding.kinds(
        [r["work"] for r in done],
        np.array([max(r["days"], 1e-3) for r in done], dtype=np.float64),
        np.array([r["ended"] for r in done], dtype=bool),
    )
    locked = rows(
        reader.pool,
        "repairs.lockouts",
        reader.account_id,
        since=reader.now - timedelta(days=LOCKOUTS_D),
        until=reader.now,
    )
    cohorts = holding.cohorts([(r["by"], r["value"], r["units"], r["locked_out"], r["years"] or 0.0) for r in locked])
    return {
        "now": reader.now,
        "repairs_days": REPAIRS_D,
        "lockouts_days": LOCKOUTS_D,
        "items": [_rounded(asdict(kind)) for kind in kinds],
        "lockouts": [_rounded(asdict(cohort)) for cohort in cohorts],
        "next": None,
    }


@router.get("/v1/repairs", response_model=Repairs, responses=ERRORS, summary="How long repairs hold")
@router.get("/repairs.json", include_in_schema=False)
def get_repairs(by: By) -> Response:
    """Kinds of work with the share that still holds, and cohorts of units with their rate of lockouts."""
    return json(repairs(by))


@router.get("/repairs", include_in_schema=False, response_class=Response)
def repairs_page(request: Request, by: By) -> Response:
    """How long repairs hold."""
    return html(request, "repairs.html", by=by, r=repairs(by), twin="/repairs.json")
