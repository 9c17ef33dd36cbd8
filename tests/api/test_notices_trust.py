"""While our own parts are down or behind nothing is told, and a while after."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from api.notices.trust import SETTLE, SILENCE, Facts, behind, turned

NOW = datetime(2026, 1, 24, 3, tzinfo=UTC)
WELL = Facts(
    devices=40,
    online=38,
    offline=2,
    of_all=4,
    intakes=1,
    received_at=NOW - timedelta(minutes=1),
    waiting_since=NOW - timedelta(minutes=2),
    judged_at=NOW - timedelta(minutes=20),
)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"intakes": 0}, "no intake runs"),
        ({"received_at": NOW - timedelta(hours=3)}, "intake receives nothing"),
        ({"received_at": None}, "intake receives nothing"),
        ({"waiting_since": NOW - timedelta(minutes=40)}, "the watch is behind"),
        ({"judged_at": NOW - timedelta(hours=3)}, "the watch makes no verdicts"),
        ({"online": 10, "offline": 30}, "most loggers are off line at once"),
    ],
)
def test_each_part_of_ours_that_fails_is_named(changed: dict[str, object], words: str) -> None:
    found = behind(replace(WELL, **changed), NOW, NOW, live=True)  # type: ignore[arg-type]
    assert found is not None
    assert found.startswith(words)


def test_all_parts_well_leave_nothing_to_say() -> None:
    assert behind(WELL, NOW, NOW, live=True) is None
    assert behind(replace(WELL, waiting_since=None, judged_at=None), NOW, NOW, live=True) is None


def test_an_account_without_loggers_or_of_a_replayed_winter_needs_no_intake() -> None:
    assert (
        behind(replace(WELL, devices=0, online=0, offline=0, intakes=0, received_at=None), NOW, NOW, live=True) is None
    )
    replayed = replace(WELL, intakes=0, received_at=None, waiting_since=None)
    assert behind(replayed, NOW + timedelta(days=300), NOW, live=False) is None


def test_a_few_loggers_off_line_are_no_outage_of_ours() -> None:
    assert behind(replace(WELL, devices=3, online=0, offline=3), NOW, NOW, live=True) is None
    assert (
        behind(replace(WELL, devices=3, of_all=3, online=0, offline=3, received_at=None), NOW, NOW, live=True) is None
    )
    assert behind(replace(WELL, online=25, offline=15), NOW, NOW, live=True) is None


def test_the_first_look_trusts_at_once() -> None:
    assert turned(None, None, NOW).holds(NOW)
    assert not turned(None, "no intake runs", NOW).holds(NOW)


@pytest.mark.parametrize(
    ("lasted", "settles"),
    [
        (timedelta(seconds=20), SETTLE[0]),
        (timedelta(minutes=10), timedelta(minutes=10)),
        (timedelta(hours=5), SETTLE[1]),
    ],
)
def test_after_an_outage_changes_are_told_once_what_waited_has_been_read(lasted: timedelta, settles: timedelta) -> None:
    down = turned(turned(None, None, NOW), "no intake runs", NOW)
    down = turned(down, "intake receives nothing", NOW + lasted / 2)
    assert down.behind_since == NOW
    well = turned(down, None, NOW + lasted)
    assert not well.holds(NOW + lasted)
    assert not well.holds(NOW + lasted + settles - timedelta(seconds=1))
    assert well.holds(NOW + lasted + settles)
    assert turned(well, None, NOW + lasted + settles) == well


def test_after_a_long_outage_silence_is_not_believed_for_a_day() -> None:
    ended = NOW + timedelta(hours=5)
    well = turned(turned(turned(None, None, NOW), "no intake runs", NOW), None, ended)
    assert well.holds(ended + SETTLE[1])
    assert not well.believes_silence(ended + SILENCE - timedelta(seconds=1))
    assert well.believes_silence(ended + SILENCE)
    short = turned(turned(turned(None, None, NOW), "no intake runs", NOW), None, NOW + timedelta(minutes=5))
    assert short.believes_silence(NOW + timedelta(minutes=10))
