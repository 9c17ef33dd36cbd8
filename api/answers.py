"""What every endpoint may answer besides its own shape, and how JSON is written."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from fastapi import Path, Query
from starlette.responses import Response

from api.shape import Problem

Answers = dict[int | str, dict[str, Any]]

_NO_NUL = r"^[^\x00]*$"
UnitName = Annotated[
    str, Path(description="name of the unit", min_length=1, max_length=200, pattern=_NO_NUL, examples=["u-0001"])
]
SiteName = Annotated[
    str, Path(description="name of the site", min_length=1, max_length=200, pattern=_NO_NUL, examples=["s-0001"])
]
Name = Annotated[str, Query(min_length=1, max_length=200, pattern=_NO_NUL)]
Find = Annotated[
    str | None,
    Query(description="text anywhere in the unit, site or model", min_length=1, max_length=100, pattern=_NO_NUL),
]
Limit = Annotated[int, Query(ge=1, le=500, description="most items in one answer")]
Cursor = Annotated[
    str | None,
    Query(description="`next` of the answer before", min_length=1, max_length=600, pattern=r"^[A-Za-z0-9_-]+$"),
]


def problem_of(description: str) -> dict[str, Any]:
    """Return how the OpenAPI document tells of an error."""
    return {
        "model": Problem,
        "description": description,
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


ERRORS: Answers = {
    401: problem_of("a token is asked for, or the one shown is not known"),
    403: problem_of("only answered on a loopback address, or a form of another site"),
    422: problem_of("a value that cannot be used; `errors` names each field"),
    503: problem_of("the database is away, or took longer than the time limit"),
}
CONFLICT: Answers = {
    409: problem_of("a value that cannot be here and now, such as a time still to come or a name that is taken")
}
NOT_FOUND: Answers = {404: problem_of("no such thing in this account, or no such place in the list")}


def json(body: object, status: int = 200, **headers: str) -> Response:
    """Return a body as JSON; times as RFC 3339, UTC."""
    return Response(msgspec.json.encode(body), status, headers, "application/json")


def like(text: str | None) -> str | None:
    """Return a search text as an SQL pattern that matches it anywhere, its wildcards taken literally."""
    if text is None:
        return None
    return "%" + text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
