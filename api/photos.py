"""Pictures of rating plates: small ones, kept with the unit."""

from __future__ import annotations

import io
import warnings
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from PIL import Image, ImageOps
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from api.access import By, Reader
from api.answers import CONFLICT, ERRORS, NOT_FOUND, UnitName, json, problem_of
from api.models import Photo, Photos
from api.queries import Row, row, rows, writing
from api.units import find
from ingest.named_sql import queries

router = APIRouter(tags=["visits"])
MOST_BYTES = 12_000_000
"""Largest picture that is taken: what a phone's camera makes. A page with script sends a smaller copy."""
MOST_PIXELS = 60_000_000
LONGEST_PX = 1_600
QUALITY = 82
"""How large a picture is kept, and how fine: a plate's small print can be read."""
KINDS = ("JPEG", "PNG", "WEBP")
MOST_SHOWN = 12
KEY = r"^[A-Za-z0-9_-]+$"

Key = Annotated[
    str, Query(min_length=8, max_length=100, pattern=KEY, description="made by the sender; sent again, stored once")
]
_BODY = {"type": "string", "format": "binary", "maxLength": MOST_BYTES}
_TAKES = {"required": True, "content": {kind: {"schema": _BODY} for kind in ("image/jpeg", "image/png", "image/webp")}}


def cleaned(picture: bytes) -> bytes | None:
    """Return a picture as a small JPEG that tells nothing but what is seen, upright; None where it is no picture.

    Where and with what it was taken (Exif, XMP, comments) is left out; its orientation is applied, its colour profile
    kept. It is decoded and written anew, so that nothing which only looks like a picture is ever served.

    Parameters
    ----------
    picture
        A JPEG, PNG or WebP.
    """
    try:
        with warnings.catch_warnings():
            # One that unpacks to more than `MOST_PIXELS` is a trap or of no use: never unpacked.
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(picture), formats=KINDS) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    return None
                opened.draft("RGB", (LONGEST_PX, LONGEST_PX))
                profile = opened.info.get("icc_profile") if opened.mode == "RGB" else None
                upright = ImageOps.exif_transpose(opened)
                upright.thumbnail((LONGEST_PX, LONGEST_PX))
                # What is transparent is shown on white, as the page would.
                ground = Image.new("RGBA", upright.size, "white")
                ground.alpha_composite(upright.convert("RGBA"))
        out = io.BytesIO()
        ground.convert("RGB").save(out, "JPEG", quality=QUALITY, optimize=True, icc_profile=profile)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning):
        return None
    return out.getvalue()


def add(reader: Reader, unit_id: int, key: str, picture: bytes) -> Row:
    """Keep a picture, made small and without where it was taken; the same key again changes nothing.

    Raises
    ------
    HTTPException
        413 where it is too large, 415 where it is no picture, 409 where the key was that of another unit's picture.
    """
    if len(picture) > MOST_BYTES:
        raise HTTPException(413, f"the picture is larger than {MOST_BYTES // 1_000_000} MB: send a smaller one")
    kept = cleaned(picture)
    if kept is None:
        raise HTTPException(415, "the picture is neither JPEG, PNG nor WebP, is damaged, or has too many pixels")
    statements = queries("api", "sql/visits.sql")
    values: dict[str, Any] = {
        "account_id": reader.account_id,
        "unit_id": unit_id,
        "key": key,
        "media_type": "image/jpeg",
        "picture": kept,
    }
    with writing(reader.pool) as conn:
        conn.execute(statements["add_photo"], values)
        stored = conn.execute(statements["same_photo"], values).fetchone()
    assert stored is not None
    if stored["unit_id"] != unit_id:
        raise HTTPException(409, "key: was that of a picture of another unit; make a new one for each picture")
    return {k: v for k, v in stored.items() if k != "unit_id"}


def newest(reader: Reader, unit_id: int, limit: int = MOST_SHOWN) -> list[Row]:
    """Return the newest pictures of a unit, without their content."""
    return rows(reader.pool, "visits.photos", reader.account_id, unit_id=unit_id, limit=limit)


async def _body(request: Request) -> bytes:
    """Return the body of a request, and stop reading where it grows too large."""
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > MOST_BYTES:
            break
    return bytes(body)


@router.post(
    "/v1/units/{unit:path}/photos",
    status_code=201,
    response_model=Photo,
    responses=ERRORS
    | NOT_FOUND
    | CONFLICT
    | {413: problem_of("the picture is too large"), 415: problem_of("no JPEG, PNG or WebP that can be read")},
    summary="Keep a picture of the rating plate",
    openapi_extra={"requestBody": _TAKES},
)
async def post_photo(request: Request, by: By, unit: UnitName, key: Key) -> Response:
    """Keep a picture, at most 12 MB; the body is the picture itself. The same key again changes nothing.

    It is kept as a JPEG of at most 1600 pixels a side, upright, without place, time and device (Exif).
    """
    found = await run_in_threadpool(find, by, unit)
    picture = await _body(request)
    return json(await run_in_threadpool(add, by, found["unit_id"], key, picture), 201)


@router.get(
    "/v1/units/{unit:path}/photos/{photo}",
    response_class=Response,
    responses=ERRORS
    | NOT_FOUND
    | {200: {"content": {kind: {"schema": _BODY} for kind in ("image/jpeg", "image/png", "image/webp")}}},
    summary="One picture",
)
def get_photo(by: By, unit: UnitName, photo: Annotated[int, Path(ge=1, le=2**63 - 1)]) -> Response:
    """A picture as it was kept."""
    found = row(by.pool, "visits.photo", by.account_id, unit_id=find(by, unit)["unit_id"], photo=photo)
    if found is None:
        raise HTTPException(404, f"no picture {photo} of this unit")
    return Response(found["picture"], 200, {"Cache-Control": "private, max-age=86400"}, found["media_type"])


@router.get(
    "/v1/units/{unit:path}/photos", response_model=Photos, responses=ERRORS | NOT_FOUND, summary="Pictures of a unit"
)
def get_photos(by: By, unit: UnitName) -> Response:
    """The newest pictures of a unit."""
    return json({"items": newest(by, find(by, unit)["unit_id"]), "next": None})
