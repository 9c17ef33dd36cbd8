"""Whether the program is up and ready, and its counters for Prometheus."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Gauge, generate_latest

from api.access import By
from api.answers import ERRORS, json
from api.fleet import intake
from api.models import State
from api.noticepages import by_state
from api.queries import row, rows
from api.words import STANDINGS

router = APIRouter(tags=["health"])


@router.get("/healthz", response_model=State, summary="Is the program up")
def healthz() -> Response:
    """Answer while the program runs, whatever the database does."""
    return json({"status": "ok"})


@router.get("/readyz", response_model=State, responses={503: ERRORS[503]}, summary="Is the program ready")
def readyz(request: Request) -> Response:
    """Answer once the database answers and has its schema."""
    row(request.app.state.pool, "accounts.ready", 0)
    return json({"status": "ok"})


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}, **ERRORS},
    summary="Counters",
)
def metrics(request: Request, by: By) -> Response:
    """Requests of this process, and the account's units, quarantine and silence, in Prometheus text format."""
    registry = CollectorRegistry()
    units = Gauge("halfsecond_units", "units by standing", ["standing"], registry=registry)
    counts = {r["standing"]: r["units"] for r in rows(by.pool, "calls.standings", by.account_id)}
    for standing in STANDINGS:
        units.labels(standing).set(counts.get(standing, 0))
    now = intake(by)
    for name, text, value in (
        ("quarantined_records", "open records in quarantine", sum(q["records"] for q in now["quarantine"])),
        ("devices", "registered devices", now["devices"]),
        ("silent_devices", "devices not heard for a day (at most 200 are counted)", len(now["items"])),
        ("stored_a_minute", "records stored a minute over the last 10 minutes", now["stored_a_minute"]),
    ):
        Gauge(f"halfsecond_{name}", text, registry=registry).set(value)
    notices = Gauge("halfsecond_notices", "messages on their way to a target, by state", ["state"], registry=registry)
    for state, deliveries in by_state(by).items():
        notices.labels(state).set(deliveries)
    own = generate_latest(request.app.state.registry)
    return Response(own + generate_latest(registry), media_type=CONTENT_TYPE_LATEST)
