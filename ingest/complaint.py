"""One line for what is wrong with a record: the field, what it must be, and what it was."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

_AT = re.compile(r" - at `\$\.?([^`]*)`$")
_TYPES = {
    "int": "a whole number",
    "float": "a number",
    "str": "text",
    "bool": "true or false",
    "array": "a list",
    "object": "an object",
    "null": "null",
    "datetime": "a time",
}
_AT_LEAST = {">=": "at least", "<=": "at most", ">": "above", "<": "below"}
_LONGEST_SHOWN = 40


@dataclass(frozen=True)
class Rejected:
    """A record of a file that could not be used; its text is the one line that the user reads.

    ``line`` counts from 1; in a CSV the header is line 1, in Parquet the first row is. It is 0 where it is not known.
    """

    path: str
    line: int
    field: str
    text: str

    def __str__(self) -> str:
        """Return path, line, field and remedy in one line."""
        where = f"{self.path}, line {self.line}" if self.line else self.path
        return f"{where}: {self.field}: {self.text}" if self.field else f"{where}: {self.text}"


def complaint(error: Exception, raw: object = None) -> tuple[str, str]:
    """Return the field that a validation error is about, and what to do about it.

    Parameters
    ----------
    error
        A ``msgspec`` decode or validation error, or a ``ValueError`` whose text begins with ``field: ``.
    raw
        The record as decoded without types, so that the value found can be shown.

    Returns
    -------
    tuple
        Field (empty where the whole record is at fault) and a phrase such as ``must be at most 60, not 99``.
    """
    text = str(error)
    where = _AT.search(text)
    field = where[1] if where else ""
    text = _AT.sub("", text)
    for pattern, phrase in _PHRASES:
        if found := re.fullmatch(pattern, text):
            return phrase(found, field, raw)
    if isinstance(error, RecursionError):
        return field, "nested too deeply; write one flat object a line"
    if text.startswith(("JSON", "Input data", "Invalid", "Object")) or isinstance(error, UnicodeDecodeError):
        why = text.removeprefix("JSON is malformed: ")
        return field, f"not JSON ({why[0].lower()}{why[1:]}); write one object a line"
    return field, text


def _missing(found: re.Match[str], field: str, _raw: object) -> tuple[str, str]:
    return f"{field}.{found[1]}" if field else found[1], "missing; every record needs it"


def _word(found: re.Match[str], field: str, _raw: object) -> tuple[str, str]:
    return field, f"{found[1]} is not a word allowed here"


def _limit(found: re.Match[str], field: str, raw: object) -> tuple[str, str]:
    unit = " long" if found[2] else ""
    return field, f"must be {_AT_LEAST[found[3]]} {float(found[4]):.15g}{unit}{_found(raw, field)}"


def _type(found: re.Match[str], field: str, raw: object) -> tuple[str, str]:
    wanted = " or ".join(_TYPES.get(t, t) for t in found[1].split(" | ") if t != "null")
    given = _TYPES.get(found[2], found[2])
    return field, f"must be {wanted}{_found(raw, field) or f', not {given}'}"


def _offset(_match: re.Match[str], field: str, raw: object) -> tuple[str, str]:
    return field, f"needs an offset, such as 2031-01-14T12:00:00Z{_found(raw, field)}"


def _time(_match: re.Match[str], field: str, raw: object) -> tuple[str, str]:
    return field, f"must be RFC 3339, such as 2031-01-14T12:00:00Z{_found(raw, field)}"


def _own(found: re.Match[str], _field: str, _raw: object) -> tuple[str, str]:
    return found[1], found[2]


_Phrase = Callable[[re.Match[str], str, object], tuple[str, str]]
_PHRASES: tuple[tuple[str, _Phrase], ...] = (
    (r"Object missing required field `(.+)`", _missing),
    (r"Invalid enum value (.+)", _word),
    (r"Expected `(\w+)`( of length)? (>=|<=|>|<) ([\d.eE+-]+)", _limit),
    (r"Expected `(.+)`, got `(\w+)`", _type),
    (r"Expected `datetime` with a timezone.*", _offset),
    (r".*RFC3339.*", _time),
    (r"(\w[\w.]*): (.+)", _own),
)


def _found(raw: object, field: str) -> str:
    """Say which value stood there, where it is short enough to help."""
    value: Any = raw
    for part in re.findall(r"\w+", field):
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and part.isdigit() and int(part) < len(value):
            value = value[int(part)]
        else:
            return ""
    if value is None or isinstance(value, dict | list):
        return ""
    shown = repr(value) if isinstance(value, str) else str(value)
    return f", not {shown}" if len(shown) <= _LONGEST_SHOWN else ""
