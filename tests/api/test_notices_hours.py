"""Quiet hours across midnight and across changes of the clock, against the wall clock of the IANA time zones."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.notices.hours import DIGEST_LATE_H, Quiet, digest_due, due

NIGHT = Quiet(time(21), time(7))
DENVER = ZoneInfo("America/Denver")
MINUTE = timedelta(minutes=1)


def walked(at: datetime, quiet: Quiet, zone: ZoneInfo) -> datetime:
    """The first minute from an instant on at which the zone's wall clock is outside the hours: looked at one by one."""
    while quiet.holds(at.astimezone(zone).time()):
        at += MINUTE
    return at


def at(text: str, zone: ZoneInfo = DENVER) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone)


@pytest.mark.parametrize(
    ("ready", "sent"),
    [
        ("2026-01-20T20:59", "2026-01-20T20:59"),
        ("2026-01-20T21:00", "2026-01-21T07:00"),
        ("2026-01-20T23:59", "2026-01-21T07:00"),
        ("2026-01-21T00:00", "2026-01-21T07:00"),
        ("2026-01-21T06:59", "2026-01-21T07:00"),
        ("2026-01-21T07:00", "2026-01-21T07:00"),
    ],
)
def test_what_falls_in_quiet_hours_waits_to_their_end_across_midnight(ready: str, sent: str) -> None:
    assert due(at(ready), NIGHT, DENVER) == at(sent)


def test_quiet_hours_within_a_day_and_none_at_all() -> None:
    noon = Quiet(time(12), time(13, 30))
    assert due(at("2026-01-20T12:10"), noon, DENVER) == at("2026-01-20T13:30")
    assert due(at("2026-01-20T13:30"), noon, DENVER) == at("2026-01-20T13:30")
    assert due(at("2026-01-20T03:00"), None, DENVER) == at("2026-01-20T03:00")


def test_the_night_is_an_hour_shorter_or_longer_when_the_clock_changes() -> None:
    # The United States change the clock on 8 March and 1 November 2026 (IANA tz database, northamerica).
    spring, autumn = at("2026-03-07T21:00"), at("2026-10-31T21:00")
    assert due(spring, NIGHT, DENVER) - spring.astimezone(UTC) == timedelta(hours=9)
    assert due(autumn, NIGHT, DENVER) - autumn.astimezone(UTC) == timedelta(hours=11)


@pytest.mark.parametrize(
    "zone_name", ["America/Denver", "Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns", "UTC"]
)
@pytest.mark.parametrize(
    ("begins", "ends"), [("21:00", "02:30"), ("22:00", "01:30"), ("01:15", "01:45"), ("23:30", "02:00")]
)
def test_hours_that_end_within_a_change_of_the_clock_end_as_the_wall_clock_says(
    zone_name: str, begins: str, ends: str
) -> None:
    zone, quiet = ZoneInfo(zone_name), Quiet(time.fromisoformat(begins), time.fromisoformat(ends))
    # The changes of 2026 in these zones lie on these days, in spring or in autumn on either half of the earth.
    for day in (
        date(2026, 3, 7),
        date(2026, 3, 28),
        date(2026, 4, 4),
        date(2026, 10, 3),
        date(2026, 10, 24),
        date(2026, 10, 31),
    ):
        first = datetime.combine(day, time(20), UTC)
        for minutes in range(0, 36 * 60, 7):
            ready = first + timedelta(minutes=minutes)
            assert due(ready, quiet, zone) == walked(ready, quiet, zone), ready


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 366 * 24 * 60),
    st.times(),
    st.times(),
    st.sampled_from(["America/Denver", "Europe/London", "Pacific/Chatham", "Asia/Kathmandu"]),
)
def test_at_any_instant_of_a_year_the_end_is_that_of_the_wall_clock(
    minutes: int, begins: time, ends: time, zone_name: str
) -> None:
    quiet = Quiet(begins.replace(second=0, microsecond=0), ends.replace(second=0, microsecond=0))
    ready = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    zone = ZoneInfo(zone_name)
    assert due(ready, quiet, zone) == walked(ready, quiet, zone)


def test_a_digest_is_due_once_its_hour_has_come_also_where_that_hour_is_left_out() -> None:
    assert not digest_due(at("2026-01-20T06:59"), 7, DENVER)
    assert digest_due(at("2026-01-20T07:00"), 7, DENVER)
    assert digest_due(at("2026-01-20T07:59").replace(hour=7 + DIGEST_LATE_H), 7, DENVER)
    assert not digest_due(at("2026-01-20T07:00").replace(hour=7 + DIGEST_LATE_H + 1), 7, DENVER)
    assert not digest_due(at("2026-01-20T07:00"), None, DENVER)
    # 02:00 to 03:00 is left out on 8 March 2026: one minute after 01:59 it is 03:00.
    left_out = at("2026-03-08T01:59").astimezone(UTC) + MINUTE
    assert left_out.astimezone(DENVER).hour == 3
    assert digest_due(left_out, 2, DENVER)
