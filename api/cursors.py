"""Cursors: where the next page of a list begins, as an opaque text that stays right while rows come and go."""

from __future__ import annotations

import base64
import binascii
from typing import Any, TypeVar

import msgspec
from starlette.exceptions import HTTPException

T = TypeVar("T")


def pack(*key: object) -> str:
    """Return the sort key of the last row shown as a cursor."""
    return base64.urlsafe_b64encode(msgspec.json.encode(key)).decode().rstrip("=")


def unpack(cursor: str | None, kind: type[T]) -> T | None:
    """Return the sort key in a cursor, as a tuple of the given type.

    Raises
    ------
    HTTPException
        404 where the list has no such place.
    """
    if cursor is None:
        return None
    try:
        raw = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
        return msgspec.json.decode(raw, type=kind)
    except (binascii.Error, ValueError, msgspec.MsgspecError):
        raise HTTPException(404, "cursor: not one that this list gave; leave it out to begin at the top") from None


def page(found: list[dict[str, Any]], limit: int, *key: str) -> tuple[list[dict[str, Any]], str | None]:
    """Return at most ``limit`` rows, and the cursor of the next page if one more row was found."""
    if len(found) <= limit:
        return found, None
    shown = found[:limit]
    return shown, pack(*(shown[-1][k] for k in key))
