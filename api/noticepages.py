"""What was told, to whom, because of which units, and how far it has come: a page, and the same as JSON."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response
from pydantic import Field

from api import cursors, work
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, Cursor, Limit, Name, json
from api.queries import row, rows
from api.render import html
from api.shape import Shape

router = APIRouter(tags=["notices"])
PAGE = 30
LATE = timedelta(minutes=5)
"""Accounts are looked at a few times a minute."""
Kind = Literal["change", "digest", "trial"]
State = Literal["waiting", "sending", "sent", "failed"]
KINDS: dict[Kind, str] = {"change": "Changes", "digest": "Digests", "trial": "Trials"}
STATES: dict[State, str] = {"sent": "Sent", "waiting": "Waiting", "sending": "Being sent", "failed": "Failed"}


class Trigger(Shape):
    """A unit that a notice is about: its standings before and after, and the instant of the verdict."""

    unit: str
    from_: str | None = Field(alias="from", description="its standing before; null in a digest")
    to: str
    as_of: datetime
    at: datetime | None = Field(description="when the change was seen; null in a digest")


class Delivery(Shape):
    """How far a notice has come on its way to one target."""

    target: str = Field(description="kind and last characters")
    state: State
    tries: int
    error: str | None = Field(description="what the service said last")
    changed_at: datetime


class Notice(Shape):
    """One message to one person."""

    notice: int
    person: str
    kind: Kind
    site: str | None
    cause: str | None
    standing: str | None = Field(description="the gravest among its units")
    units: int
    triggers: list[Trigger] = Field(description="what caused it, at most 500 units")
    day: date | None = Field(description="of a digest")
    made_at: datetime
    due_at: datetime
    closed_at: datetime | None = Field(description="when it went to its targets; null while it gathers or waits")
    title: str | None
    body: str | None
    deliveries: list[Delivery]


class Notices(Shape):
    """One page of notices, newest first."""

    items: list[Notice]
    next: str | None
    deliveries: dict[str, int] = Field(description="how many of the account by state")
    behind: str | None = Field(description="what of our own keeps notices from going out")
    passed_at: datetime | None = Field(description="when the account was last looked at")


def notices(
    reader: Reader,
    *,
    person: str | None = None,
    kind: Kind | None = None,
    state: State | None = None,
    limit: int = PAGE,
    cursor: str | None = None,
) -> dict[str, Any]:
    """Return one page of what was told, newest first, and what keeps notices from going out."""
    after = cursors.unpack(cursor, tuple[int])
    found = rows(
        reader.pool,
        "notices.page",
        reader.account_id,
        person=person,
        kind=kind,
        state=state,
        after=after[0] if after else None,
        limit=limit + 1,
    )
    items, following = cursors.page(found, limit, "notice_id")
    held = row(reader.pool, "notices.behind", reader.account_id) or {"behind": None, "passed_at": None}
    return {
        "items": [{"notice": n.pop("notice_id"), **n} for n in items],
        "next": following,
        "deliveries": by_state(reader),
        "behind": held["behind"],
        "passed_at": held["passed_at"],
    }


def by_state(reader: Reader) -> dict[str, int]:
    """Return how many deliveries of the account there are of each state."""
    found = {r["state"]: r["deliveries"] for r in rows(reader.pool, "notices.states", reader.account_id)}
    return {state: found.get(state, 0) for state in STATES}


PersonWanted = Annotated[Name | None, Query(description="only to this person")]
KindWanted = Annotated[Kind | None, Query(description="only of this kind")]
StateWanted = Annotated[State | None, Query(description="only with a delivery of this state")]


@router.get("/v1/notices", response_model=Notices, responses=ERRORS | NOT_FOUND, summary="Notices")
@router.get("/notices.json", include_in_schema=False)
def get_notices(
    by: By,
    person: PersonWanted = None,
    kind: KindWanted = None,
    state: StateWanted = None,
    limit: Limit = PAGE,
    cursor: Cursor = None,
) -> Response:
    """What was told, to whom and because of what, newest first."""
    return json(notices(by, person=person, kind=kind, state=state, limit=limit, cursor=cursor))


@router.get("/notices", include_in_schema=False)
def notices_page(
    request: Request,
    by: By,
    person: PersonWanted = None,
    kind: KindWanted = None,
    state: StateWanted = None,
    cursor: Cursor = None,
) -> Response:
    """What was told, as a page."""
    chosen = {"person": person, "kind": kind, "state": state}
    listed = notices(by, person=person, kind=kind, state=state, cursor=cursor)

    def other(**changed: str | None) -> str:
        told = {name: value for name, value in {**chosen, **changed}.items() if value}
        return f"/notices?{urlencode(told)}" if told else "/notices"

    people = work.people(by)
    return html(
        request,
        "notices.html",
        by=by,
        listed=listed,
        kinds=KINDS,
        states=STATES,
        chosen=chosen,
        other=other,
        people=[p["name"] for p in people],
        reached=any(p["targets"] for p in people),
        filtered=any(chosen.values()) or cursor is not None,
        late=listed["passed_at"] is None or datetime.now(UTC) - listed["passed_at"] > LATE,
        zone=by.settings.get("zone") or (row(by.pool, "notices.zone", by.account_id) or {}).get("zone"),
        following=other(cursor=listed["next"]) if listed["next"] else None,
        twin=other().replace("/notices", "/notices.json", 1),
    )
