"""Errors as problem documents (RFC 9457), or as a plain page where a browser asks for one.

References
----------
.. [1] RFC 9457, Problem Details for HTTP APIs, sections 3 and 3.1.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

import msgspec
import psycopg
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from psycopg_pool import PoolTimeout
from starlette.exceptions import HTTPException
from starlette.responses import Response

from api import faults
from api.render import html
from api.shield import HEADERS

log = logging.getLogger(__name__)
MEDIA_TYPE = "application/problem+json"


def problem(
    request: Request, status: int, detail: str, *, headers: Mapping[str, str] | None = None, **more: object
) -> Response:
    """Return a problem document, or the same words as a page where the reader is a browser on a page."""
    title = HTTPStatus(status).phrase
    if wants_page(request):
        # Who filled in a form knows of fields, not of where in a request they stand.
        told = detail.removeprefix("body.").removeprefix("query.").removeprefix("path.")
        return html(request, "problem.html", status=status, headers=headers, heading=title, detail=told)
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": request.url.path,
        **more,
    }
    return Response(msgspec.json.encode(body), status, dict(headers or {}), MEDIA_TYPE)


def wants_page(request: Request) -> bool:
    """Return whether the reader is a browser on a page rather than a program."""
    path = request.url.path
    return (
        not path.startswith("/v1") and not path.endswith(".json") and "text/html" in request.headers.get("accept", "")
    )


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == HTTPStatus.BAD_REQUEST:
        # The framework's, for bytes that are no text, or parts that are no form.
        return problem(request, 422, "body: cannot be read; send JSON in UTF-8, or a form as a browser does", errors=[])
    return problem(request, error.status_code, str(error.detail), headers=error.headers)


def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = [{"field": faults.field(e), "text": faults.words(e)} for e in error.errors()]
    first = f"{found[0]['field']}: {found[0]['text']}" if found else "the request cannot be read"
    return problem(request, 422, first, errors=found)


def _unusable(request: Request, error: Exception) -> Response:
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return problem(request, 422, f"a value cannot be used: {text}", errors=[])


def _too_slow(request: Request, _error: Exception) -> Response:
    return problem(
        request,
        503,
        "the database took longer than the time limit; ask for less (a filter, a shorter span) or try again",
        headers={"Retry-After": "5"},
    )


def _away(request: Request, _error: Exception) -> Response:
    return problem(request, 503, "the database cannot be reached; try again shortly", headers={"Retry-After": "5"})


def _broken(request: Request, error: Exception) -> Response:
    log.error("unexpected error on %s", request.url.path, exc_info=error)
    # This answer is made outside of every middleware, so it carries the headers itself.
    return problem(request, 500, "something went wrong on our side; it is in the log", headers=HEADERS)


def install(app: FastAPI) -> None:
    """Answer every error of the application with a problem document."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(psycopg.errors.QueryCanceled, _too_slow)
    app.add_exception_handler(psycopg.errors.UndefinedTable, _away)
    app.add_exception_handler(psycopg.DataError, _unusable)
    app.add_exception_handler(PoolTimeout, _away)
    app.add_exception_handler(psycopg.OperationalError, _away)
    app.add_exception_handler(Exception, _broken)
