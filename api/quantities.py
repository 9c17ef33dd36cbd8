"""Quantities as pages show them: degrees and pressures by the account's setting, times in the site's own zone."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

KPA_PER_PSI = 6.894757293168
"""Pound-force per square inch in kilopascals (NIST SP 811, Appendix B.8: 6.894 757)."""
_UNIT = re.compile(r"(?<=\d) (?=%|s\b|µF|V\b|A\b|Ω|°)")
MINUS = "\N{MINUS SIGN}"


def signed(value: float, digits: int = 0) -> str:
    """Return a number with a true minus sign."""
    return f"{value:.{digits}f}".replace("-", MINUS)


def unbroken(text: str) -> str:
    """Return a text in which no line breaks between a number and its unit."""
    return _UNIT.sub("\N{NO-BREAK SPACE}", text)


def temperature(celsius: float | None, *, customary: bool) -> str:
    """Return a temperature [°C] as text, in °F where customary units are set."""
    if celsius is None:
        return "–"
    return f"{signed(celsius * 9 / 5 + 32)} °F" if customary else f"{signed(celsius)} °C"


def pressure(kilopascals: float | None, *, customary: bool) -> str:
    """Return a gauge pressure [kPa] as text, in psig where customary units are set."""
    if kilopascals is None:
        return "–"
    return f"{signed(kilopascals / KPA_PER_PSI)} psig" if customary else f"{signed(kilopascals)} kPa"


@cache
def zone(name: str | None) -> tzinfo:
    """Return a time zone by its IANA name; UTC where it is not known."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


def local(at: datetime | str | None, zone_name: str | None, pattern: str = "%-d %b %Y, %H:%M") -> str:
    """Return an instant in a site's zone; a full date and time carries the zone's short name."""
    if at is None:
        return "–"
    instant = datetime.fromisoformat(at) if isinstance(at, str) else at
    shown = instant.astimezone(zone(zone_name))
    return shown.strftime(f"{pattern} %Z" if "%Y" in pattern and "%H" in pattern else pattern)


def zone_word(at: datetime, zone_name: str | None) -> str:
    """Return the short name that a site's zone has at an instant, such as MST."""
    return at.astimezone(zone(zone_name)).strftime("%Z")


def day(text: str | None) -> str:
    """Return an ISO date as a day and a month."""
    return "–" if text is None else datetime.fromisoformat(text).strftime("%-d %b")


def weekday(when: date) -> str:
    """Return a day with its name, such as Mon 26 Jan."""
    return when.strftime("%a %-d %b")


def reading(name: str, value: object, customary: bool) -> str:
    """Return a reading as text: its name without the unit, its value with it; pressures in the reader's unit."""
    bare, _, unit = name.rpartition("_")
    known = {"uf": "µF", "v": "V", "a": "A", "w": "W", "mohm": "MΩ", "kpa": "kPa", "c": "°C"}
    if not bare or unit not in known or not isinstance(value, int | float) or isinstance(value, bool):
        return f"{name.replace('_', ' ')} {value}"
    if unit == "kpa":
        return f"{bare.replace('_', ' ')} {pressure(value, customary=customary)}"
    if unit == "c":
        return f"{bare.replace('_', ' ')} {temperature(value, customary=customary)}"
    return f"{bare.replace('_', ' ')} {value:g} {known[unit]}"


def ago(at: datetime | None, now: datetime) -> str:
    """Return how long before now an instant lies, in the largest unit that fits."""
    if at is None:
        return "never"
    span = max(now - at, timedelta())
    for size, name in ((timedelta(days=1), "day"), (timedelta(hours=1), "hour"), (timedelta(minutes=1), "minute")):
        if span >= size:
            count = span // size
            return f"{count} {name}{'s' if count > 1 else ''} ago"
    return "just now"
