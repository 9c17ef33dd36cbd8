"""Devices: what was last heard of each, what is the matter with it, and adding and removing them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import cursors
from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, NOT_FOUND, Cursor, Find, Limit, Name, json, like
from api.counts import forget, kept
from api.fleet import CLOCK_S, CLOCK_SPAN, SILENT_AFTER_H
from api.models import NO_NUL, Text
from api.queries import row, rows, writing
from api.render import html
from api.shape import Shape
from api.units import find
from ingest.errors import BadInputError
from ingest.store import devices as store

router = APIRouter(tags=["devices"])
PAGE = 50
KEPT = "devices"
Matter = Literal["silent", "offline", "clock", "missing"]
MATTERS: dict[Matter, str] = {
    "silent": "Silent",
    "offline": "Off line",
    "clock": "Clock wrong",
    "missing": "Records missing",
}
"""What may be the matter with a device, and what it is called."""
NO_STORE = {"Cache-Control": "no-store"}

DeviceName = Annotated[str, Path(description="name of the device", min_length=1, max_length=64, pattern=NO_NUL)]


class Device(Shape):
    """A logger: the unit that it reports for, and what was last heard of it."""

    device: str
    unit: str
    site: str | None
    zone: str
    added_at: datetime
    password: bool = Field(description="whether it has one at the broker")
    online: bool | None = Field(description="by its last status")
    firmware: str | None
    clock_ok: bool | None = Field(description="by its own word")
    sent: int | None = Field(description="highest number that its last status said was sent")
    status_at: datetime | None = Field(description="when its last status was received")
    last_at: datetime | None = Field(description="newest start of its unit")
    silent: bool = Field(description="no start for a day by the account's clock")
    clock_off_s: float | None = Field(description="how far its clock is certainly behind, or ahead where below 0")
    clock_ahead_s: float | None = Field(description="least that its clock was ahead within two days, in seconds")
    newest: int | None = Field(description="highest number that came")
    missing: int = Field(description="records that it made, by their numbers, and that never came")


class Devices(Shape):
    """One page of devices by name."""

    items: list[Device]
    next: str | None
    counts: dict[str, int] = Field(description="devices of the account, and of how many what is the matter")


class NewDevice(BaseModel):
    """A device to add, or to give a new password."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"device": "d-0042", "unit": "u-0042", "renew": False}]}
    )

    device: Annotated[str, Field(min_length=1, max_length=64, pattern=NO_NUL)]
    unit: Text = Field(description="the unit that it reports for")
    renew: bool = Field(default=False, description="one that is there already gets a new password, and this unit")


class Admitted(Shape):
    """A device with its password at the broker, which is told only now."""

    device: str
    unit: str
    password: str


@dataclass(frozen=True)
class Choice:
    """Which devices: those with which something is the matter, of a firmware, found by a text."""

    matter: list[Matter] | None = None
    firmware: list[str] | None = None
    q: str | None = None

    def turned(self, name: str, value: str) -> Choice:
        """Return the choice with a value of a filter added, or taken away where it is there."""
        now = list(getattr(self, name) or [])
        after = [v for v in now if v != value] if value in now else [*now, value]
        changed: dict[str, Any] = {name: after or None}
        return replace(self, **changed)

    def address(self, path: str, **more: str | None) -> str:
        """Return the address of a page that shows this choice."""
        told = {**{k: v for k, v in vars(self).items() if v}, **{k: v for k, v in more.items() if v}}
        return f"{path}?{urlencode(told, doseq=True)}" if told else path


def chosen(
    matter: Annotated[list[Matter] | None, Query(description="only those with all of this", max_length=4)] = None,
    firmware: Annotated[list[Name] | None, Query(description="only of these versions", max_length=12)] = None,
    q: Annotated[Find, Query(description="text anywhere in the device, unit or site")] = None,
) -> Choice:
    """Return the choice that a request's address makes."""
    return Choice(matter, firmware, q)


Chosen = Annotated[Choice, Depends(chosen)]


def _spans(reader: Reader) -> dict[str, Any]:
    return {
        "silent_before": reader.now - timedelta(hours=SILENT_AFTER_H),
        "clock_since": datetime.now(UTC) - CLOCK_SPAN,
        "clock_least_s": CLOCK_S,
    }


def listed(reader: Reader, choice: Choice, limit: int, cursor: str | None) -> dict[str, Any]:
    """Return one page of devices by name, with the counts of all."""
    after = cursors.unpack(cursor, tuple[str])
    spans, asked, all_of = _spans(reader), choice.matter or [], kept(reader, KEPT, lambda: _all_of(reader))
    found = rows(
        reader.pool,
        "devices.page",
        reader.account_id,
        after=after[0] if after else None,
        like=like(choice.q),
        firmware=choice.firmware,
        **{name: name in asked for name in MATTERS if name != "missing"},
        names=list(all_of["missing"]) if "missing" in asked else None,
        **spans,
        limit=limit + 1,
    )
    shown, following = cursors.page(found, limit, "device")
    newest = {
        r["device"]: r["newest"]
        for r in rows(reader.pool, "devices.numbers", reader.account_id, devices=[one["device"] for one in shown])
    }
    items = [
        {k: v for k, v in one.items() if k not in {"offset_s", "ahead_s"}}
        | {
            "clock_off_s": one["offset_s"],
            "clock_ahead_s": one["ahead_s"] if (one["ahead_s"] or 0) > CLOCK_S else None,
            "newest": newest.get(one["device"]),
            "missing": all_of["missing"].get(one["device"], 0),
        }
        for one in shown
    ]
    return {"items": items, "next": following, "counts": all_of["counts"]}


def _all_of(reader: Reader) -> dict[str, Any]:
    """Return what is asked of all devices at once: counts, firmware versions, and records missing by device."""
    missing = {r["device"]: r["missing"] for r in rows(reader.pool, "devices.missing", reader.account_id)}
    counts = row(reader.pool, "devices.counts", reader.account_id, **_spans(reader)) or {}
    firmwares = {r["firmware"]: r["devices"] for r in rows(reader.pool, "devices.firmwares", reader.account_id)}
    return {"missing": missing, "counts": {**counts, "missing": len(missing)}, "firmwares": firmwares}


def admit(reader: Reader, asked: NewDevice) -> dict[str, str]:
    """Add a device or renew its password, and return the password.

    Raises
    ------
    HTTPException
        409 where the account has no such unit, or the name cannot be had.
    """
    try:
        unit_id = find(reader, asked.unit)["unit_id"]
    except HTTPException:
        raise HTTPException(409, f"body.unit: there is no unit {asked.unit!r} in this account; load it first") from None
    try:
        with writing(reader.pool) as conn:
            password = store.add(conn, reader.account_id, asked.device, unit_id, renew=asked.renew)
    except BadInputError as error:
        raise HTTPException(409, f"body.{error}") from None
    forget(reader, KEPT)
    return {"device": asked.device, "unit": asked.unit, "password": password}


def dismiss(reader: Reader, device: str) -> None:
    """Remove a device: the broker lets it in no more.

    Raises
    ------
    HTTPException
        404 where the account has no such device.
    """
    with writing(reader.pool) as conn:
        there = store.remove(conn, reader.account_id, device)
    if not there:
        raise HTTPException(404, f"no device {device!r} in this account")
    forget(reader, KEPT)


@router.get("/v1/devices", response_model=Devices, responses=ERRORS | NOT_FOUND, summary="Devices")
@router.get("/devices.json", include_in_schema=False)
def get_devices(by: By, choice: Chosen, limit: Limit = 100, cursor: Cursor = None) -> Response:
    """Devices of the account by name, with what was last heard of each and what is the matter with it."""
    return json(listed(by, choice, limit, cursor))


@router.post(
    "/v1/devices",
    status_code=201,
    response_model=Admitted,
    responses=ERRORS | CONFLICT,
    summary="Add a device, or renew its password",
)
def post_device(by: By, asked: NewDevice) -> Response:
    """Have a device report for a unit; its password at the broker is told only in this answer."""
    return json(admit(by, asked), 201, **NO_STORE)


@router.delete(
    "/v1/devices/{device}",
    status_code=204,
    response_class=Response,
    responses=ERRORS | NOT_FOUND,
    summary="Remove a device",
)
def delete_device(by: By, device: DeviceName) -> Response:
    """Remove a device: the broker lets it in no more, and what it sent stays. Again, it changes nothing."""
    dismiss(by, device)
    return Response(status_code=204)


def _page(
    request: Request, by: Reader, choice: Choice, cursor: str | None = None, admitted: dict[str, str] | None = None
) -> Response:
    found = listed(by, choice, PAGE, cursor)
    return html(
        request,
        "devices.html",
        by=by,
        listed=found,
        choice=choice,
        matters=MATTERS,
        firmwares=kept(by, KEPT, lambda: _all_of(by))["firmwares"],
        admitted=admitted,
        facet=lambda name, value: choice.turned(name, value).address("/devices"),
        following=choice.address("/devices", cursor=found["next"]) if found["next"] else None,
        filtered=choice != Choice() or cursor is not None,
        silent_after_h=SILENT_AFTER_H,
        wall=datetime.now(UTC),
        headers=NO_STORE if admitted else None,
        twin=choice.address("/devices.json", cursor=cursor),
    )


@router.get("/devices", include_in_schema=False, response_class=Response)
def devices_page(request: Request, by: By, choice: Chosen, cursor: Cursor = None) -> Response:
    """Devices."""
    return _page(request, by, choice, cursor)


@router.post("/devices", include_in_schema=False, response_class=Response)
def devices_form(
    request: Request,
    by: By,
    do: Annotated[Literal["add", "renew", "remove"], Form()],
    device: Annotated[str, Form(min_length=1, max_length=64, pattern=NO_NUL)],
    unit: Annotated[str, Form(max_length=200, pattern=NO_NUL)] = "",
    sure: Annotated[Literal["yes", ""], Form()] = "",
) -> Response:
    """Add a device, renew its password or remove it, from the forms of the page."""
    name = device.strip()
    if do != "add" and not sure:
        raise HTTPException(422, "sure: tick it; the logger can send nothing until its new password is entered")
    if do == "remove":
        dismiss(by, name)
        return RedirectResponse("/devices", 303)
    if not unit.strip():
        raise HTTPException(422, "unit: needed; name the unit that the device reports for")
    admitted = admit(by, NewDevice(device=name, unit=unit.strip(), renew=do == "renew"))
    # The password is told once, so this answer is the page itself and no way back to it.
    return _page(request, by, Choice(q=name), admitted=admitted)
