"""The page on which it is chosen how a person is told, and its forms."""

from __future__ import annotations

from typing import Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Form, Request, Response
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import faults
from api.access import By
from api.notices import targets
from api.notices.gravity import TOLD
from api.noticewishes import (
    MOST_TARGETS,
    NewWishes,
    PersonName,
    TargetNumber,
    add_target,
    change,
    remove_target,
    shown,
    trial,
    wishes,
)
from api.render import html

router = APIRouter(include_in_schema=False, default_response_class=Response)


@router.get("/people/{person:path}/notices")
def wishes_page(request: Request, by: By, person: PersonName) -> Response:
    """How one person is told."""
    held = shown(by, wishes(by, person))
    account = (by.settings.get("quiet_from"), by.settings.get("quiet_to"))
    own = "account" if held["quiet_from"] is None else "none" if held["quiet_from"] == held["quiet_to"] else "own"
    return html(
        request,
        "wishes.html",
        by=by,
        w=held,
        told=TOLD,
        own=own,
        account_quiet=account if all(account) and account[0] != account[1] else None,
        most=MOST_TARGETS,
        twin=f"/people/{quote(person)}/notices.json",
    )


@router.post("/people/{person:path}/notices")
def wishes_form(
    by: By,
    person: PersonName,
    quiet: Annotated[Literal["account", "none", "own"], Form()],
    standings: Annotated[list[str] | None, Form()] = None,
    quiet_from: Annotated[str, Form(max_length=10)] = "",
    quiet_to: Annotated[str, Form(max_length=10)] = "",
    wake_for_down: Annotated[str, Form(max_length=10)] = "",
    digest_hour: Annotated[str, Form(max_length=10)] = "",
) -> Response:
    """Store how a person is told from the form of the page."""
    between = {"account": (None, None), "none": ("00:00", "00:00"), "own": (quiet_from[:5], quiet_to[:5])}[quiet]
    try:
        asked = NewWishes.model_validate(
            {
                "standings": standings or [],
                "quiet_from": between[0],
                "quiet_to": between[1],
                "wake_for_down": bool(wake_for_down),
                "digest_hour": int(digest_hour) if digest_hour.isdigit() else None,
            }
        )
    except ValidationError as error:
        raise HTTPException(422, faults.line(error)) from None
    change(by, person, asked)
    return RedirectResponse(f"/people/{quote(person)}/notices", 303)


@router.post("/people/{person:path}/notices/targets")
def target_form(by: By, person: PersonName, url: Annotated[str, Form(max_length=targets.LONGEST)]) -> Response:
    """Add a target from the form of the page."""
    add_target(by, person, url)
    return RedirectResponse(f"/people/{quote(person)}/notices", 303)


@router.post("/people/{person:path}/notices/targets/{target}")
def target_button(
    by: By, person: PersonName, target: TargetNumber, do: Annotated[Literal["trial", "remove"], Form()]
) -> Response:
    """Try or remove a target by its button."""
    if do == "trial":
        trial(by, person, target)
        return RedirectResponse(f"/notices?person={quote(person)}", 303)
    remove_target(by, person, target)
    return RedirectResponse(f"/people/{quote(person)}/notices", 303)
