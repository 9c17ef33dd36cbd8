"""Quarantine: what intake could not store, by reason, with its payload; put through again after the cause is mended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Annotated, Any, Literal, get_args
from urllib.parse import urlencode

import psycopg
from fastapi import APIRouter, Form, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import cursors
from api.access import By, Reader
from api.answers import ERRORS, NOT_FOUND, Cursor, Limit, Name, json
from api.models import NO_NUL, Text
from api.queries import WAIT_S
from api.render import html
from api.shape import Shape
from ingest import mapping
from ingest import quarantine as store
from ingest.database import connect
from ingest.decode import Reason as ReasonName
from ingest.errors import BadInputError, UnavailableError

router = APIRouter(tags=["intake"])
PAGE = 50
MOST_AT_ONCE = 200
"""Items put through again by one request: some tenths of a millisecond each, and nobody waits long for a page."""
MOST_LOOKED_AT = 5_000
MOST_SHOWN = 20_000
"""Letters of a payload on a page."""
REASONS = get_args(ReasonName)

Reason = Annotated[ReasonName | None, Query(description="only what could not be stored for this reason")]
Device = Annotated[Name | None, Query(description="only what this device sent")]
Number = Annotated[int, Path(ge=1, le=2**63 - 1, description="number of the item")]
ItemNumber = Annotated[int, Field(ge=1, le=2**63 - 1)]
Count = Annotated[int | None, Query(ge=0, le=2**31)]


class Item(Shape):
    """Something that could not be stored."""

    item: int
    received_at: datetime
    reason: str
    device: str | None
    topic: str
    detail: str = Field(description="what is wrong, in one line that names the field")
    seen: int = Field(description="how often it came")
    tries: int = Field(description="how often it was put through again")
    bytes: int


class Items(Shape):
    """One page of what is in quarantine, oldest first."""

    items: list[Item]
    next: str | None
    counts: dict[str, int] = Field(description="items by reason, before any filter")


class Whole(Item):
    """An item with its payload."""

    released_at: datetime | None = Field(description="when it could be stored after all")
    payload: str = Field(description="as text; what is not UTF-8 is escaped")
    payload_base64: str | None = Field(description="as it came, where it is not UTF-8")


class AgainItems(BaseModel):
    """Items to put through again."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"items": [17, 18]}]})

    items: Annotated[list[ItemNumber], Field(min_length=1, max_length=MOST_AT_ONCE)]


class AgainOfReason(BaseModel):
    """What to put through again: all of a reason, or of a reason and a device."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"reason": "unknown_device"}]})

    reason: ReasonName
    device: Text | None = None


Again = AgainItems | AgainOfReason


class Done(Shape):
    """What became of the items that were put through again."""

    stored: int
    kept: int = Field(description="still in quarantine, each with the reason it has now")
    left: int = Field(description="of the reason or device, at least so many were not tried this time: ask again")


@contextmanager
def _connected(by: Reader) -> Iterator[psycopg.Connection]:
    # Intake's own path wants a connection of its own kind, which may write.
    try:
        with connect(str(by.pool.conninfo), connect_timeout=int(WAIT_S), application_name="halfsecond pages") as conn:
            yield conn
    except UnavailableError:
        raise HTTPException(503, "the database cannot be reached; try again shortly", {"Retry-After": "5"}) from None


def listed(by: Reader, reason: str | None, device: str | None, limit: int, cursor: str | None) -> dict[str, Any]:
    """Return one page of what is in quarantine, oldest first; whoever runs the server also sees what is nobody's."""
    after = cursors.unpack(cursor, tuple[int])
    with _connected(by) as conn:
        found = store.listed(
            conn,
            by.account_id,
            reason=reason,
            device=device,
            after=after[0] if after else 0,
            limit=limit + 1,
            strays=by.operator,
        )
        counts = store.counted(conn, by.account_id, strays=by.operator)
    shown, following = cursors.page([_numbered(one) for one in found], limit, "item")
    return {"items": shown, "next": following, "counts": counts}


def _numbered(one: dict[str, Any]) -> dict[str, Any]:
    return {"item": one["quarantine_id"], **{k: v for k, v in one.items() if k != "quarantine_id"}}


def whole(by: Reader, item: int) -> dict[str, Any]:
    """Return one item with its payload.

    Raises
    ------
    HTTPException
        404 where the account has no such item.
    """
    with _connected(by) as conn:
        found = store.shown(conn, by.account_id, item, strays=by.operator)
    if found is None:
        raise _missing(item)
    payload = found.pop("payload")
    text, encoded = store.as_text(payload)
    return {**_numbered(found), "bytes": len(payload), "payload": text, "payload_base64": encoded}


def _missing(item: int) -> HTTPException:
    return HTTPException(404, f"no item {item} in this account's quarantine")


def again(request: Request, by: Reader, asked: Again) -> dict[str, int]:
    """Put items through again as if they had just come, at most 200, and say what became of them.

    Raises
    ------
    HTTPException
        404 where one of the items is not in the account's quarantine; 503 where the server's mapping cannot be used.
    """
    path = request.app.state.settings.mapping
    try:
        mappings = mapping.load(path) if path else ()
    except BadInputError as error:
        raise HTTPException(503, f"the mapping of other loggers cannot be used: {error}") from None
    with _connected(by) as conn:
        items = _open(conn, by, asked.items) if isinstance(asked, AgainItems) else _oldest(conn, by, asked)
        done = store.replay(conn, items[:MOST_AT_ONCE], mappings=mappings)
    return {"stored": done.released, "kept": done.kept, "left": max(0, len(items) - MOST_AT_ONCE)}


def _open(conn: psycopg.Connection, by: Reader, items: Sequence[int]) -> list[int]:
    for item in items:
        found = store.shown(conn, by.account_id, item, strays=by.operator)
        if found is None or found["released_at"] is not None:
            raise _missing(item)
    return list(dict.fromkeys(items))


def _oldest(conn: psycopg.Connection, by: Reader, asked: AgainOfReason) -> list[int]:
    found = store.listed(
        conn, by.account_id, reason=asked.reason, device=asked.device, limit=MOST_LOOKED_AT, strays=by.operator
    )
    # Those that were tried less often first, so that what cannot be stored never keeps the rest from its turn.
    return [one["quarantine_id"] for one in sorted(found, key=lambda one: one["tries"])]


@router.get("/v1/quarantine", response_model=Items, responses=ERRORS | NOT_FOUND, summary="What is in quarantine")
@router.get("/quarantine.json", include_in_schema=False)
def get_quarantine(
    by: By, reason: Reason = None, device: Device = None, limit: Limit = 100, cursor: Cursor = None
) -> Response:
    """What intake could not store, oldest first, without the payloads."""
    return json(listed(by, reason, device, limit, cursor))


@router.get(
    "/v1/quarantine/{item}", response_model=Whole, responses=ERRORS | NOT_FOUND, summary="One item with its payload"
)
@router.get("/quarantine/{item}.json", include_in_schema=False)
def get_item(by: By, item: Number) -> Response:
    """Something that could not be stored, as it came."""
    return json(whole(by, item))


@router.post(
    "/v1/quarantine/again", response_model=Done, responses=ERRORS | NOT_FOUND, summary="Put items through again"
)
def post_again(request: Request, by: By, asked: Again) -> Response:
    """Put items through again after the cause is mended, at most 200; what still cannot be stored stays."""
    return json(again(request, by, asked))


@router.get("/quarantine", include_in_schema=False, response_class=Response)
def quarantine_page(
    request: Request,
    by: By,
    reason: Reason = None,
    device: Device = None,
    cursor: Cursor = None,
    stored: Count = None,
    kept: Count = None,
    left: Count = None,
) -> Response:
    """What could not be stored, and putting it through again."""
    own = {k: v for k, v in (("reason", reason), ("device", device)) if v}

    def address(path: str, **changed: str | None) -> str:
        told = {k: v for k, v in {**own, **changed}.items() if v}
        return f"{path}?{urlencode(told)}" if told else path

    found = listed(by, reason, device, PAGE, cursor)
    return html(
        request,
        "quarantine.html",
        by=by,
        listed=found,
        reason=reason,
        device=device,
        address=address,
        following=address("/quarantine", cursor=found["next"]) if found["next"] else None,
        done=None if stored is None and kept is None else {"stored": stored or 0, "kept": kept or 0, "left": left or 0},
        most=MOST_AT_ONCE,
        twin=address("/quarantine.json", cursor=cursor),
    )


@router.get("/quarantine/{item}", include_in_schema=False, response_class=Response)
def item_page(request: Request, by: By, item: Number) -> Response:
    """One item with its payload."""
    one = whole(by, item)
    text = store.printable(one["payload"])
    return html(
        request,
        "quarantined.html",
        by=by,
        one=one,
        text=text[:MOST_SHOWN],
        longer=len(text) > MOST_SHOWN,
        twin=f"/quarantine/{item}.json",
    )


@router.post("/quarantine", include_in_schema=False, response_class=Response)
def again_form(
    request: Request,
    by: By,
    item: Annotated[int | None, Form(ge=1, le=2**63 - 1)] = None,
    reason: Annotated[ReasonName | Literal[""], Form()] = "",
    device: Annotated[str, Form(max_length=200, pattern=NO_NUL)] = "",
) -> Response:
    """Put one item, or those of a reason, through again, from the forms of the pages."""
    asked: Again
    if item is not None:
        asked = AgainItems(items=[item])
    elif reason:
        asked = AgainOfReason(reason=reason, device=device or None)
    else:
        raise HTTPException(422, "reason: choose what to put through again")
    told = asked.model_dump(exclude_none=True, exclude={"items"}) | again(request, by, asked)
    return RedirectResponse(f"/quarantine?{urlencode(told)}", 303)
