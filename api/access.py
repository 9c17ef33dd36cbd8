"""Who reads: the account behind a request, its settings, and what time it is for that account.

A reader shows a token as ``Authorization: Bearer TOKEN``, or as the password of HTTP Basic (a browser asks for it; any
user name will do). Only the SHA-256 of a token is stored. Where no token is set, only a loopback address is answered.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends, Request
from starlette.exceptions import HTTPException

from api.queries import Pool, row
from api.settings import ApiSettings

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1", "testserver"})
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_CHALLENGE = {"WWW-Authenticate": 'Basic realm="Halfsecond", charset="UTF-8"'}


@dataclass(frozen=True)
class Reader:
    """One request's account: every query takes its ``account_id``; ``now`` is by the account's clock, UTC."""

    pool: Pool
    account_id: int
    account: str
    settings: Mapping[str, Any]
    now: datetime
    operator: bool = False
    """Whether the reader came by the server's own setting, and so may see what belongs to no account."""

    @property
    def customary(self) -> bool:
        """Whether pages show degrees Fahrenheit and psig rather than degrees Celsius and kPa gauge."""
        return self.settings.get("units") == "us"


def shown_token(request: Request) -> str | None:
    """Return the token in the Authorization header, or None where there is no such header.

    Raises
    ------
    HTTPException
        401 where the header is neither Bearer nor Basic.
    """
    header = request.headers.get("authorization")
    if header is None:
        return None
    scheme, _, value = header.strip().partition(" ")
    if scheme.lower() == "bearer" and value.strip():
        return value.strip()
    if scheme.lower() == "basic":
        try:
            return base64.b64decode(value.strip(), validate=True).decode().partition(":")[2]
        except (binascii.Error, UnicodeDecodeError):
            pass
    raise HTTPException(401, "Authorization: use 'Bearer TOKEN', or Basic with the token as password", _CHALLENGE)


def host_name(request: Request) -> str:
    """Return the host that the request names, without its port."""
    return urlsplit(f"//{request.headers.get('host', '')}").hostname or ""


def _refuse_strangers(request: Request, settings: ApiSettings) -> None:
    # A page elsewhere may point its own name at this machine: without a token the name must be a loopback one.
    if settings.token is None and host_name(request) not in LOOPBACK:
        raise HTTPException(403, "only answered on a loopback address; set a token to listen elsewhere")
    if request.method in _SAFE:
        return
    origin = request.headers.get("origin")
    if origin and urlsplit(origin).netloc != request.headers.get("host", ""):
        raise HTTPException(403, "a form of another site may not write here")


def reader(request: Request) -> Reader:
    """Return the account that the request may read.

    Raises
    ------
    HTTPException
        401 without a valid token where one is asked, 403 for a stranger, 503 where the account does not exist yet.
    """
    settings: ApiSettings = request.app.state.settings
    pool: Pool = request.app.state.pool
    _refuse_strangers(request, settings)
    token = shown_token(request)
    if token is None and settings.token is not None:
        raise HTTPException(401, "a token is asked for: Authorization: Bearer TOKEN", _CHALLENGE)
    own = (
        settings.token is not None
        and token is not None
        and hmac.compare_digest(token.encode(), settings.token.encode())
    )
    if token is None or own:
        found = row(pool, "accounts.by_name", 0, name=settings.account)
        if found is None:
            raise HTTPException(503, f"account {settings.account!r} does not exist yet", {"Retry-After": "5"})
    else:
        found = row(pool, "accounts.by_token", 0, hash=hashlib.sha256(token.encode()).digest())
        if found is None:
            raise HTTPException(401, "this token is not known", _CHALLENGE)
    now = found["heard_at"] if settings.clock == "data" and found["heard_at"] else datetime.now(UTC)
    return Reader(pool, found["account_id"], found["name"], found["settings"], now, operator=token is None or own)


By = Annotated[Reader, Depends(reader)]
"""The argument by which every endpoint gets its account."""
