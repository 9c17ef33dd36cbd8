"""The call list as a page, by unit or by site, as a table for other programs, and the form of each of its rows."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import quote, urlsplit

from fastapi import APIRouter, Form, Query, Request, Response
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import faults, units, work
from api.access import By
from api.answers import Cursor, UnitName
from api.calls import call_list, sites_list
from api.choice import Chosen
from api.models import NewAttention, NewPerson
from api.quantities import zone
from api.render import html
from api.words import CAUSES, FLAGGED, STANDINGS

router = APIRouter(include_in_schema=False, default_response_class=Response)
PAGE = 50
MOST_ROWS = 5_000
"""Rows of the table for other programs."""
ROWS_AT_ONCE = 500
FACET = 12
"""Most values shown of one filter, the most frequent first."""
MORNING_H = 7
"""Hour of the site's day at which a unit that was put off comes back."""

Grouped = Annotated[Literal["site"] | None, Query(description="by site rather than by unit")]
Doing = Annotated[Literal["seen", "unseen", "snooze", "unsnooze", "plan", "unplan"], Form()]

COLUMNS: dict[str, Callable[[dict[str, Any]], object]] = {
    "unit": lambda c: c["unit"],
    "site": lambda c: c["site"],
    "area": lambda c: c["area"],
    "model": lambda c: c["model"],
    "standing": lambda c: c["standing"],
    "as_of": lambda c: c["as_of"],
    "cause": lambda c: c["cause"],
    "cause_probability": lambda c: c["cause_probability"],
    "expected_s": lambda c: c["run_up"]["expected_s"],
    "now_s": lambda c: c["run_up"]["now_s"],
    "drift": lambda c: c["run_up"]["drift"],
    "drift_low": lambda c: c["run_up"]["low"],
    "drift_high": lambda c: c["run_up"]["high"],
    "locked_14d": lambda c: len(c["locked_at"]),
    "lockout_7d": lambda c: c["lockout_7d"],
    "forecast_low_c": lambda c: c["forecast_low_c"],
    "why": lambda c: c["why"],
    "bring": lambda c: "; ".join(c["bring"]),
    "acknowledged_at": lambda c: c["acknowledged_at"] and c["acknowledged_at"].isoformat(),
    "snoozed_until": lambda c: c["snoozed_until"] and c["snoozed_until"].isoformat(),
    "visit_day": lambda c: c["plan"] and c["plan"]["day"].isoformat(),
    "visit_by": lambda c: c["plan"] and c["plan"]["person"],
}


def _facet(counts: dict[str, int], chosen: list[str] | None) -> list[tuple[str, int]]:
    """Return the most frequent values, and those chosen, with their counts."""
    shown = list(counts.items())[:FACET]
    return shown + [(v, counts.get(v, 0)) for v in chosen or [] if v not in dict(shown)]


@router.get("/")
@router.get("/calls")
def call_list_page(request: Request, by: By, choice: Chosen, group: Grouped = None, cursor: Cursor = None) -> Response:
    """The call list."""
    if group == "site":
        listed = sites_list(by, choice, cursor=cursor)
        groups = listed["sites"]
    else:
        listed = call_list(by, choice, limit=PAGE, cursor=cursor)
        groups = [{"site": None, "items": listed["items"]}]
    shown = [c for g in groups for c in g["items"]]
    return html(
        request,
        "calls.html",
        by=by,
        listed=listed,
        groups=groups,
        count=len(shown),
        first_zone=shown[0]["zone"] if shown else "UTC",
        choice=choice,
        group=group,
        facets=[
            ("area", "Area", _facet(listed["areas"], choice.area)),
            ("person", "Visit by", _facet(listed["people"], choice.person)),
            ("model", "Cohort", _facet(listed["models"], choice.model)),
        ],
        facet=lambda name, value: choice.turned(name, value).address("/", group=group),
        other=lambda **changed: choice.address("/", **{"group": group, **changed}),
        following=choice.address("/", group=group, cursor=listed["next"]) if listed["next"] else None,
        table=choice.address("/calls.csv"),
        twin=choice.address("/calls.json", cursor=cursor if group is None else None),
        filtered=choice.narrowed or cursor is not None,
        down=listed["standings"].get("down", 0),
        flagged=sum(listed["standings"].get(s, 0) for s in FLAGGED),
        total=sum(listed["standings"].values()),
        standings=STANDINGS,
        causes=CAUSES,
        people=[p["name"] for p in work.people(by)],
        today=by.now.date(),
        tomorrow=by.now.date() + timedelta(days=1),
    )


def _cell(value: object) -> object:
    # A spreadsheet takes a text that begins like this for a formula.
    return f"'{value}" if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")) else value


def _lines(found: Iterable[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    writer.writerows([_cell(column(c)) for column in COLUMNS.values()] for c in found)
    return text.getvalue()


@router.get("/calls.csv")
def get_table(by: By, choice: Chosen) -> Response:
    """The call list as comma-separated values (RFC 4180), at most 5,000 rows; times UTC, temperatures °C."""
    found: list[dict[str, Any]] = []
    cursor = None
    while len(found) < MOST_ROWS:
        listed = call_list(by, choice, limit=ROWS_AT_ONCE, cursor=cursor)
        found += listed["items"]
        cursor = listed["next"]
        if cursor is None:
            break
    headers = {"Content-Disposition": 'attachment; filename="calls.csv"'}
    return Response(_lines(found), 200, headers, "text/csv; charset=utf-8")


def back_to(request: Request, otherwise: str) -> str:
    """Return the address, on this server, of the page that a form was sent from."""
    came = urlsplit(request.headers.get("referer", ""))
    # Two slashes at the front would lead to another server.
    if came.netloc != request.headers.get("host") or not came.path.startswith("/") or came.path.startswith("//"):
        return otherwise
    return f"{came.path}?{came.query}" if came.query else came.path


@router.post("/units/{unit:path}/call")
def call_form(
    request: Request,
    by: By,
    unit: UnitName,
    do: Doing,
    until: Annotated[str, Form(max_length=40)] = "",
    person: Annotated[str, Form(max_length=200)] = "",
    day: Annotated[str, Form(max_length=40)] = "",
    note: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Say that a call was seen, put it off, or plan a visit, from the form of its row."""
    found = units.find(by, unit)
    asked: dict[str, Any]
    if do in ("seen", "unseen"):
        asked = {"acknowledged": do == "seen"}
    elif do in ("snooze", "unsnooze"):
        asked = {"snoozed_until": _morning(until, found["zone"]) if do == "snooze" else None}
    elif do == "plan":
        asked = {"plan": {"person": person.strip() or None, "day": _day("day", day), "note": note.strip() or None}}
    else:
        asked = {"plan": None}
    try:
        work.change(by, found, NewAttention.model_validate(asked))
    except ValidationError as error:
        raise HTTPException(422, faults.line(error)) from None
    return RedirectResponse(back_to(request, f"/units/{quote(unit)}"), 303)


def _day(name: str, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise HTTPException(422, f"{name}: pick a day") from None


def _morning(text: str, zone_name: str) -> datetime:
    """Return the morning of a day at the site."""
    when = _day("until", text)
    return datetime(when.year, when.month, when.day, MORNING_H, tzinfo=zone(zone_name))


@router.post("/people")
def people_form(
    by: By,
    name: Annotated[str, Form(max_length=200)],
    role: Annotated[str, Form(max_length=40)],
    mail: Annotated[str, Form(max_length=200)] = "",
    phone: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Add somebody from the form of the page."""
    try:
        person = NewPerson.model_validate({"name": name, "role": role, "mail": mail or None, "phone": phone or None})
    except ValidationError as error:
        raise HTTPException(422, faults.line(error)) from None
    work.add_person(by, person)
    return RedirectResponse("/people", 303)


@router.get("/people")
def people_page(request: Request, by: By) -> Response:
    """The people of the account."""
    return html(request, "people.html", by=by, people=work.people(by), twin="/people.json")
