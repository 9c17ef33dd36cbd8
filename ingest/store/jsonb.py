"""JSON text for a jsonb column."""

from __future__ import annotations

from psycopg.types.json import Jsonb


def as_jsonb(text: bytes) -> Jsonb:
    """Wrap JSON text for a jsonb column without reading it again."""
    return Jsonb(text, dumps=_same)


def _same(text: bytes) -> bytes:
    return text
