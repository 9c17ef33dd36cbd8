"""The page on which a technician logs a visit, made for a phone, and the stickers that lead to a unit's page."""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote

import segno
from fastapi import APIRouter, Depends, File, Form, Query, Request, Response, UploadFile
from markupsafe import Markup
from pydantic import ValidationError
from starlette.datastructures import UploadFile as Upload
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from api import faults, photos, units, visits, work
from api.access import By, Reader
from api.advice import bring
from api.answers import Find, Name, UnitName, json, like
from api.models import NewVisit
from api.quantities import KPA_PER_PSI, zone
from api.queries import rows
from api.render import html
from api.words import WORK, WORK_FOR

router = APIRouter(include_in_schema=False, default_response_class=Response)
MOST_STICKERS = 60
QUIET_ZONE = 4
"""Modules of white around a code (ISO/IEC 18004, section 6.3.8)."""


@dataclass(frozen=True)
class Field:
    """One reading that the form asks for: its name with the unit, what it is called, and the unit as words."""

    name: str
    word: str
    unit: str
    per_kpa: float | None = None


FIELDS: tuple[Field, ...] = (
    Field("run_cap_uf", "Run capacitor", "µF"),
    Field("start_cap_uf", "Start capacitor", "µF"),
    Field("line_v", "Line, compressor off", "V"),
    Field("line_min_v", "Line, lowest in a start", "V"),
    Field("run_a", "Running current", "A"),
    Field("suction_kpa", "Suction pressure, gauge", "kPa", 1.0),
    Field("liquid_kpa", "Liquid pressure, gauge", "kPa", 1.0),
    Field("insulation_mohm", "Insulation to earth", "MΩ"),
)
CUSTOMARY = {
    "suction_kpa": Field("suction_psig", "Suction pressure", "psig", KPA_PER_PSI),
    "liquid_kpa": Field("liquid_psig", "Liquid pressure", "psig", KPA_PER_PSI),
}


Units = Annotated[list[Name] | None, Query(max_length=MOST_STICKERS)]


def fields(*, customary: bool) -> list[Field]:
    """Return the readings that the form asks for, pressures in the account's unit."""
    return [CUSTOMARY.get(f.name, f) if customary else f for f in FIELDS]


def readings(typed: Mapping[str, str]) -> dict[str, float]:
    """Return what was typed as numbers under the names that are stored; pressures in kPa gauge.

    Raises
    ------
    HTTPException
        422 where one is no number; the text names the reading.
    """
    known = {f.name: (stored.name, f) for stored in FIELDS for f in (stored, CUSTOMARY.get(stored.name, stored))}
    found: dict[str, float] = {}
    for name, text in typed.items():
        if name not in known or not text.strip():
            continue
        stored, field = known[name]
        try:
            value = float(text.strip().replace(",", "."))
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise HTTPException(422, f"{field.word}: not a number, {text.strip()[:20]!r}")
        found[stored] = round(value * field.per_kpa, 2) if field.per_kpa else value
    return found


async def _typed(request: Request) -> dict[str, str]:
    """Return the readings of a form, by name."""
    form = await request.form()
    return {k.removeprefix("reading_"): v for k, v in form.items() if k.startswith("reading_") and isinstance(v, str)}


async def _picture(photo: Annotated[UploadFile | None, File()] = None) -> bytes | None:
    """Return the picture of a form, or None; one byte more than may be kept shows that it is too large."""
    if not isinstance(photo, Upload) or not photo.filename:
        return None
    return await photo.read(photos.MOST_BYTES + 1)


@router.get("/units/{unit:path}/visit")
def visit_page(request: Request, by: By, unit: UnitName) -> Response:
    """Log a visit."""
    asked = _asked(by, unit)
    whole = asked["unit"]
    return html(
        request,
        "visit.html",
        by=by,
        u=whole,
        here=by.now.astimezone(zone(whole["zone"])),
        fields=asked["readings"],
        work=asked["work"],
        offered=asked["parts"],
        people=asked["people"],
        key=uuid.uuid4().hex,
        twin=f"/units/{quote(unit)}/visit.json",
    )


@router.get("/units/{unit:path}/visit.json")
def get_visit_page(by: By, unit: UnitName) -> Response:
    """What the page asks for: kinds of work, the likeliest first, readings, parts to bring, people."""
    asked = _asked(by, unit)
    return json({**asked, "unit": asked["unit"]["unit"], "readings": [vars(f) for f in asked["readings"]]})


def _asked(by: Reader, unit: str) -> dict[str, Any]:
    whole = units.whole(by, unit)
    cause, _ = units.top_cause(whole["verdict"])
    standing = whole["verdict"]["standing"] if whole["verdict"] else "learning"
    first = WORK_FOR.get(cause or "")
    return {
        "unit": whole,
        "work": sorted(WORK, key=lambda work: work != first),
        "readings": fields(customary=by.customary),
        "parts": bring(standing, cause, whole),
        "people": [p["name"] for p in work.people(by)],
    }


@router.post("/units/{unit:path}/visits")
def log_visit(
    by: By,
    unit: UnitName,
    at: Annotated[str, Form(max_length=40)],
    work: Annotated[list[str], Form()],
    typed: Annotated[dict[str, str], Depends(_typed)],
    picture: Annotated[bytes | None, Depends(_picture)],
    part: Annotated[list[str] | None, Form()] = None,
    parts: Annotated[str, Form(max_length=4_000)] = "",
    note: Annotated[str, Form(max_length=4_000)] = "",
    person: Annotated[str, Form(max_length=200)] = "",
    key: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Store a visit from the form of the page; its time is on the site's wall clock."""
    found = units.find(by, unit)
    try:
        instant = datetime.fromisoformat(at)
    except ValueError:
        raise HTTPException(422, "at: not a date and time") from None
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=zone(found["zone"]))
    asked: dict[str, Any] = {
        "at": instant,
        "work": work,
        "readings": readings(typed),
        "parts": [*(part or []), *(line.strip() for line in parts.splitlines() if line.strip())],
        "note": note.strip() or None,
        "by": person.strip() or None,
        "key": key or None,
    }
    try:
        visit = NewVisit.model_validate(asked)
    except ValidationError as error:
        raise HTTPException(422, faults.line(error)) from None
    if picture is not None:
        photos.add(by, found["unit_id"], key or uuid.uuid4().hex, picture)
    visits.add(by, found["unit_id"], visit)
    return RedirectResponse(f"/units/{quote(unit)}#visits", 303)


def code(address: str) -> Markup:
    """Return an address as a QR code (ISO/IEC 18004, error correction M), drawn as SVG."""
    made = segno.make(address, micro=False, error="m", boost_error=False)
    drawn = made.svg_inline(border=QUIET_ZONE, omitsize=True, svgclass="code", lineclass="code-dark", light=None)
    return Markup(drawn)  # noqa: S704  # made of numbers only


@router.get("/stickers")
def stickers_page(request: Request, by: By, unit: Units = None, q: Find = None) -> Response:
    """Stickers for units: a code that opens the unit's page, and its name."""
    made = [{**told, "code": code(told["address"])} for told in _stickers(request, by, unit, q)]
    twin = f"/stickers.json?{request.url.query}".rstrip("?")
    return html(request, "stickers.html", by=by, stickers=made, most=MOST_STICKERS, q=q, twin=twin)


@router.get("/stickers.json")
def get_stickers(request: Request, by: By, unit: Units = None, q: Find = None) -> Response:
    """What each sticker tells: the unit, and the address in its code."""
    return json({"items": _stickers(request, by, unit, q), "next": None})


def _stickers(request: Request, by: Reader, names: list[str] | None, q: str | None) -> list[dict[str, Any]]:
    if names:
        found = [units.find(by, name) for name in names]
    else:
        found = rows(by.pool, "units.page", by.account_id, unit=None, after=None, like=like(q), limit=MOST_STICKERS)
    base = str(request.base_url).rstrip("/")
    return [{"unit": f["unit"], "site": f["site"], "address": f"{base}/units/{quote(f['unit'])}"} for f in found]
