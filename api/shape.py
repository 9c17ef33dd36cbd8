"""The base of the JSON answers, and the problem document of RFC 9457."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Shape(BaseModel):
    """Base of the answers: further fields may come later, so readers should ignore what they do not know."""

    model_config = ConfigDict(extra="allow")


class Fault(Shape):
    """One field that cannot be used."""

    field: str
    text: str


class Problem(Shape):
    """Problem document of RFC 9457."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[Fault] | None = None
