"""Made verdicts for the pattern page: one of each standing; no unit of these exists."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

AS_OF = datetime(2026, 1, 24, 12, tzinfo=UTC)


def verdict(
    unit: str,
    standing: str,
    *,
    now_s: float | None = None,
    expected_s: float | None = None,
    half_width: float = 0.08,
    locked: tuple[int, float] = (0, 0.5),
    cause: tuple[str, float] = ("none", 0.9),
    lockout_7d: float | None = None,
    say: str = "",
    as_of: datetime = AS_OF,
) -> dict[str, Any]:
    """Return one made verdict; without times it is one of a unit that is still learning."""
    known = now_s is not None and expected_s is not None
    drift = now_s / expected_s - 1 if now_s is not None and expected_s is not None else None
    names = (
        "unequalised_pressures",
        "low_supply_voltage",
        "weak_run_capacitor",
        "start_gear_failed",
        "cold_soak",
        "mechanical",
        "none",
    )
    rest = (1 - cause[1]) / 6
    alarm = standing in ("down", "service", "start_assist")
    since = (as_of - timedelta(days=9)).date().isoformat() if alarm else None
    seen, expected = locked
    return {
        "unit": unit,
        "as_of": as_of.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "standing": standing,
        "run_up": {
            "starts": 412 if known else 12,
            "expected_s": expected_s if known else None,
            "now_s": now_s if known else None,
            "drift": drift,
            "low": drift - half_width if drift is not None else None,
            "high": drift + half_width if drift is not None else None,
            "since": since,
            "alarm": alarm,
        },
        "locked": {
            "starts": 412 if known else 12,
            "seen": seen,
            "expected": expected if known else None,
            "ratio": (seen + 0.5) / (expected + 0.5) if known else None,
            "low": 0.4 * (seen + 0.5) / (expected + 0.5) if known else None,
            "high": 2.2 * (seen + 0.5) / (expected + 0.5) if known else None,
            "since": since if seen > 1 else None,
            "alarm": alarm and seen > 1,
        },
        "causes": {n: (cause[1] if n == cause[0] else rest) if known else None for n in names},
        "lockout_7d": lockout_7d,
        "lockout_14d": None if lockout_7d is None else min(1.0, 1.5 * lockout_7d),
        "repair": None,
        "reasons": [] if known else ["starts_below_30"],
        "say": say,
    }


CALLS: list[tuple[dict[str, Any], int]] = [
    (
        verdict(
            "u-0007",
            "down",
            now_s=0.62,
            expected_s=0.24,
            locked=(13, 0.6),
            cause=("weak_run_capacitor", 0.83),
            lockout_7d=1.0,
            say="The outdoor unit has stopped after three failed starts, so the house may be without heat.",
        ),
        13,
    ),
    (
        verdict(
            "u-0031",
            "service",
            now_s=0.44,
            expected_s=0.21,
            locked=(6, 0.4),
            cause=("start_gear_failed", 0.71),
            lockout_7d=0.46,
            say="The outdoor unit is struggling to start and may stop in the coming cold.",
        ),
        6,
    ),
    (
        verdict(
            "u-0012",
            "start_assist",
            now_s=0.33,
            expected_s=0.21,
            locked=(4, 0.6),
            cause=("unequalised_pressures", 0.81),
            lockout_7d=0.22,
            say="The outdoor unit starts harder after short stops; a start kit would help.",
        ),
        4,
    ),
    (
        verdict(
            "u-0020",
            "watch",
            now_s=0.25,
            expected_s=0.21,
            locked=(1, 0.5),
            cause=("cold_soak", 0.52),
            lockout_7d=0.04,
            say="The outdoor unit starts a little slower than it used to; we are keeping an eye on it.",
        ),
        1,
    ),
    (verdict("u-0003", "silent", now_s=0.2, expected_s=0.2, say="We have not heard from the outdoor unit."), 0),
    (verdict("u-0040", "learning", say="The outdoor unit has not been heard for long enough to judge."), 0),
    (
        verdict(
            "u-0001",
            "steady",
            now_s=0.2,
            expected_s=0.205,
            half_width=0.06,
            lockout_7d=0.002,
            say="The outdoor unit starts as it always has.",
        ),
        0,
    ),
    (
        verdict(
            "u-0088",
            "service",
            now_s=1.4,
            expected_s=0.3,
            locked=(27, 1.0),
            cause=("mechanical", 0.64),
            lockout_7d=0.71,
            say="The outdoor unit often fails at its first try and may stop in the coming cold.",
        ),
        27,
    ),
]
"""Verdicts with their locked starts of the last fortnight."""
