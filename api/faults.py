"""What is wrong with what was sent, in one plain line that names the field and says what belongs there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from api.models import MAIL, NO_NUL, WALL_TIME

PATTERNS = {
    NO_NUL: "holds a character that cannot be kept; leave it out",
    WALL_TIME: "write a time such as 21:00",
    MAIL: "write an address such as kim@example.org",
}
"""What is said where a text does not fit a pattern."""
WORDS = {
    "missing": "is needed",
    "string_too_long": "write at most {max_length} characters",
    "too_long": "give at most {max_length}",
    "int_parsing": "not a whole number",
    "int_type": "not a whole number",
    "int_from_float": "not a whole number",
    "float_parsing": "not a number",
    "float_type": "not a number",
    "finite_number": "not a number",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "extra_forbidden": "not known here; leave it out",
}
"""What is said of a fault, by the validator's name for it."""


def field(fault: Mapping[str, Any]) -> str:
    """Return the name of the field with a fault, its parts joined by dots, without which of several forms was tried."""
    return ".".join(str(part) for part in fault["loc"] if "[" not in str(part))


def words(fault: Mapping[str, Any]) -> str:
    """Return what is wrong with a field and what belongs there."""
    kind, given = fault["type"], fault.get("ctx", {})
    if kind in {"string_too_short", "too_short"}:
        least = given["min_length"]
        return "is needed" if least == 1 else f"write at least {least} characters"
    if kind == "string_pattern_mismatch" and given["pattern"] in PATTERNS:
        return PATTERNS[given["pattern"]]
    if kind == "literal_error":
        return f"must be one of {given['expected'].replace(chr(39), '')}"
    return WORDS[kind].format(**given) if kind in WORDS else str(fault["msg"]).removeprefix("Value error, ")


def line(error: ValidationError) -> str:
    """Return the first fault of what a form sent, as one line."""
    first: Mapping[str, Any] = error.errors()[0]
    return f"{field(first)}: {words(first)}"
