"""Changes become one message for a person, a site and a cause, at the time that the person's wishes allow."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

from api.notices import gather
from api.notices.gather import Gathering, Key, Told, Wishes
from api.notices.gravity import LEVELS
from api.notices.hours import Quiet

NOW = datetime(2026, 1, 24, 3, tzinfo=UTC)
ALL = ("down", "service", "start_assist", "silent")
NIGHT = Quiet(time(19), time(7))
"""It is 20:00 on the day before in Denver."""


def changes(*rows: tuple[str, str | None, str, str]) -> list[dict[str, Any]]:
    """Changes of (unit, site, cause, standing)."""
    names = ("unit", "site", "cause", "standing")
    also = {"zone": "America/Denver", "was": "steady", "as_of": NOW}
    return [dict(zip(names, row, strict=True)) | also for row in rows]


def message(standing: str, **more: object) -> Gathering:
    trigger = {"unit": "u", "from": "steady", "to": standing}
    return Gathering(Key(1, "s", "cold_soak"), "America/Denver", {"u": trigger}, **more)  # type: ignore[arg-type]


def test_one_message_for_each_person_site_and_cause_with_all_its_units() -> None:
    rows = changes(
        *((f"u-{n}", "s-1", "cold_soak", "down") for n in range(40)),
        ("u-a", "s-1", "mechanical", "service"),
        ("u-b", "s-2", "cold_soak", "start_assist"),
        ("u-c", None, "cold_soak", "down"),
    )
    people = [Wishes(1, "Kim Example", ALL), Wishes(2, "Robin Example", ("down",)), Wishes(3, "Sam Example", ())]
    made = {m.key: len(m.triggers) for m in gather.by_person(rows, people, NOW)}
    assert made == {
        Key(1, "s-1", "cold_soak"): 40,
        Key(1, "s-1", "mechanical"): 1,
        Key(1, "s-2", "cold_soak"): 1,
        Key(1, None, "cold_soak"): 1,
        Key(2, "s-1", "cold_soak"): 40,
        Key(2, None, "cold_soak"): 1,
    }


def test_a_unit_that_gets_worse_while_its_message_gathers_keeps_where_it_began() -> None:
    first = Gathering(Key(1, "s", "c"), "UTC", {"u": {"unit": "u", "from": "steady", "to": "service"}}, NOW, 7)
    more = Gathering(Key(1, "s", "c"), "UTC", {"u": {"unit": "u", "from": "service", "to": "down"}})
    whole = gather.joined(first, more)
    assert whole.triggers == {"u": {"unit": "u", "from": "steady", "to": "down"}}
    assert (whole.notice_id, whole.due_at, LEVELS[whole.gravest]) == (7, NOW, "down")


def test_the_next_of_the_same_is_put_off_unless_it_is_the_first_that_is_down_and_who_reads_it_is_to_be_woken() -> None:
    kim = Wishes(1, "Kim Example", ALL, wake_for_down=True)
    told = Told(LEVELS.index("service"), NOW - timedelta(hours=2))
    ready = NOW + gather.GATHER
    assert gather.timed(message("down"), kim, None, NOW, None).due_at == ready
    assert gather.timed(message("down"), kim, told, NOW, None).due_at == ready
    for standing in ("service", "start_assist"):
        assert gather.timed(message(standing), kim, told, NOW, None).due_at == told.at + gather.AGAIN
    silent, down = (Told(LEVELS.index(standing), told.at) for standing in ("silent", "down"))
    assert gather.timed(message("service"), kim, silent, NOW, None).due_at == told.at + gather.AGAIN
    assert gather.timed(message("down"), kim, down, NOW, None).due_at == told.at + gather.AGAIN
    asleep = Wishes(1, "Kim Example", ALL)
    assert gather.timed(message("down"), asleep, told, NOW, None).due_at == told.at + gather.AGAIN


def test_what_was_settled_is_brought_forward_and_never_put_off() -> None:
    kim = Wishes(1, "Kim Example", ALL)
    soon, late = NOW + timedelta(seconds=30), NOW + timedelta(hours=9)
    assert gather.timed(message("down", due_at=soon), kim, None, NOW, None).due_at == soon
    assert gather.timed(message("down", due_at=late), kim, None, NOW, None).due_at == NOW + gather.GATHER


def test_quiet_hours_go_by_the_sites_zone_unless_the_account_has_one_and_spare_who_is_to_be_woken() -> None:
    quiet = Wishes(1, "Kim Example", ALL, NIGHT)
    seven = datetime(2026, 1, 24, 14, tzinfo=UTC)
    assert gather.timed(message("down"), quiet, None, NOW, None).due_at == seven
    # In UTC it is 03:00: the night ends there at 07:00.
    assert gather.timed(message("down"), quiet, None, NOW, UTC).due_at == NOW.replace(hour=7)
    woken = Wishes(1, "Kim Example", ALL, NIGHT, wake_for_down=True)
    assert gather.timed(message("down"), woken, None, NOW, None).due_at == NOW + gather.GATHER
    assert gather.timed(message("service"), woken, None, NOW, None).due_at == seven


def test_two_times_make_quiet_hours_unless_they_are_the_same_or_missing() -> None:
    assert gather.quiet_of(time(21), time(7)) == Quiet(time(21), time(7))
    assert gather.quiet_of(time(0), time(0)) is None
    assert gather.quiet_of(None, None) is None
