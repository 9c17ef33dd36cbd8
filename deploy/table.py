"""Rows for the terminal: aligned text for people, JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

Row = Mapping[str, Any]


def show(rows: Sequence[Row], *, as_json: bool, nothing: str = "nothing to show") -> None:
    """Print rows on standard output.

    Parameters
    ----------
    rows
        All with the same keys in the same order; a key is a heading.
    as_json
        One JSON object a line instead of aligned columns; times in RFC 3339.
    nothing
        What to say where there are no rows; a program gets no lines at all.
    """
    if as_json:
        for row in rows:
            print(json.dumps(dict(row), default=_iso, ensure_ascii=False))
        return
    print(aligned(rows) or nothing)


def aligned(rows: Sequence[Row]) -> str:
    """Return rows as columns, a heading above them: numbers to the right, everything else to the left."""
    if not rows:
        return ""
    headings = list(rows[0])
    right = [all(isinstance(row[h], int | float) and not isinstance(row[h], bool) for row in rows) for h in headings]
    lines = [headings, *([_word(row[h]) for h in headings] for row in rows)]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return "\n".join(
        "  ".join(
            word.rjust(width) if to_right else word.ljust(width)
            for word, width, to_right in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in lines
    )


def _word(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC):%Y-%m-%d %H:%M}"
    return str(value)


def _iso(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return str(value)
