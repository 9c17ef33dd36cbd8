"""When a clock is certainly off, and what a record's time is then (the limits are common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from ingest.skew import Clock, after_records, after_status, corrected, is_suspect

NOON = datetime(2026, 1, 14, 12, tzinfo=UTC)
LIVE_S = (0.4, 1.1, 0.7, 9.0, 0.5, 2.0, 0.6)
"""Delays of a line that is up."""


def heard(behind_s: float, delays_s: Sequence[float], every: timedelta = timedelta(hours=1)) -> Clock:
    """What is known after statuses of a clock that is behind by so much, each with its delay."""
    clock = Clock()
    for n, delay_s in enumerate(delays_s):
        sent = NOON + n * every
        clock = after_status(clock, sent - timedelta(seconds=behind_s), sent + timedelta(seconds=delay_s))
    return clock


@pytest.mark.parametrize("behind_s", [3600.0, -3600.0, 25_200.0, 130.0])
def test_a_clock_that_is_off_by_the_same_all_along_is_certain_once_records_agree(behind_s: float) -> None:
    clock = heard(behind_s, LIVE_S)
    assert is_suspect(clock)
    assert clock.offset_s is None
    nine = after_records(clock, 9, behind_s + 0.8)
    assert nine.offset_s is None
    ten = after_records(nine, 1, behind_s + 0.3)
    assert ten.offset_s == pytest.approx(behind_s, abs=10)
    made_at = NOON + timedelta(hours=8)
    at = corrected(made_at - timedelta(seconds=behind_s), made_at + timedelta(seconds=2), ten.offset_s)
    assert at is not None
    assert abs((at - made_at).total_seconds()) < 10


@pytest.mark.parametrize(
    ("what", "clock"),
    [
        ("right", heard(0.0, LIVE_S)),
        ("off by too little to matter", heard(100.0, LIVE_S)),
        ("too few statuses", heard(3600.0, LIVE_S[:5])),
        ("statuses all at once, as after an outage", heard(3600.0, LIVE_S, timedelta(minutes=5))),
        ("a line that delays by this and that", heard(0.0, [3600.0, 1800.0, 7200.0, 600.0, 5000.0, 4000.0, 9000.0])),
        (
            "history after weeks off line: each status is later by an hour less",
            heard(0.0, range(36_000, 10_800, -3600)),
        ),
    ],
)
def test_nothing_is_certain_of_a_clock_that_is(what: str, clock: Clock) -> None:
    assert after_records(clock, 100, clock.offsets_s[-1]).offset_s is None, what


def test_statuses_that_always_come_late_by_the_same_are_no_clock_that_is_behind() -> None:
    # A logger whose modem goes on line five minutes after each hour: its records of those minutes come sooner.
    clock = heard(0.0, [300.0] * 8)
    assert is_suspect(clock)
    assert after_records(clock, 50, 12.0).offset_s is None


def test_a_clock_that_was_set_is_let_go_at_the_next_status_or_the_first_record_that_tells() -> None:
    certain = after_records(heard(3600.0, LIVE_S), 20, 3600.2)
    assert certain.offset_s is not None
    later = NOON + timedelta(hours=8)
    assert after_status(certain, later, later + timedelta(seconds=1)).offset_s is None
    assert after_records(certain, 1, 0.5).offset_s is None
    assert corrected(later, later + timedelta(seconds=1), certain.offset_s) is None


def test_once_certain_the_offset_stays_as_it_is_however_the_clock_drifts() -> None:
    clock = after_records(heard(3600.0, LIVE_S), 20, 3600.2)
    held = clock.offset_s
    for n in range(40):  # a second a day, by the hour
        at = NOON + timedelta(hours=8 + n)
        clock = after_status(clock, at - timedelta(seconds=3600 + n / 24), at)
    assert clock.offset_s == held


def test_a_record_that_came_late_is_left_as_it_was_sent() -> None:
    assert corrected(NOON, NOON + timedelta(seconds=3700), 3600.0) is None
    assert corrected(NOON, NOON + timedelta(seconds=3659), 3600.0) == NOON + timedelta(seconds=3600)
