"""From standings in the database to messages: a cold night, flapping, quiet hours, digests, and outages of our own."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from api.notices import closing, gather
from api.notices.text import SAFETY
from tests.api.noticing import EVENING, LINK, ZONE, House, home, house

__all__ = ["home"]

pytestmark = pytest.mark.stack
MINUTES = timedelta(minutes=1)


def test_a_cold_night_gives_each_person_one_message_a_site_and_cause_and_one_digest(home: House) -> None:
    units = home.fleet(sites=6, units=40)
    home.person("Kim Example")
    home.person("Robin Example", standings=["down"])
    home.look(EVENING)
    # Site 6 stays well. The others lose all their units one by one until 06:00, for two causes each.
    noise = random.Random(5)
    falls = sorted((EVENING + timedelta(minutes=noise.uniform(5, 700)), unit) for unit in units[: 5 * 40])
    for at in home.looks(EVENING + timedelta(minutes=5), hours=14):
        while falls and falls[0][0] <= at:
            _, unit = falls.pop(0)
            home.stand([unit], "down", at, "cold_soak" if int(unit[-3:]) % 4 else "weak_run_capacitor")
    changes = [n for n in home.notices("change") if n["cause"] != "several"]
    told = Counter((n["person"], n["site"], n["cause"]) for n in changes)
    assert set(told.values()) == {1}
    assert len(told) == 2 * 5 * 2
    assert {n["site"] for n in changes} == {f"s-{n:03}" for n in range(1, 6)}
    digests = home.notices("digest")
    assert [(n["person"], n["day"], n["units"]) for n in digests] == [
        ("Kim Example", date(2026, 1, 24), 200),
        ("Robin Example", date(2026, 1, 24), 200),
    ]
    # What came after the first message of a site and cause waits for the next, and none is lost.
    for _ in home.looks(EVENING + timedelta(hours=30), hours=3):
        pass
    for person in ("Kim Example", "Robin Example"):
        sent = [n for n in home.notices("change") if n["deliveries"] and n["person"] == person]
        whole = Counter(t["unit"] for n in sent for t in n["triggers"])
        assert len(whole) == 200
        assert set(whole.values()) == {1}


def test_a_night_in_which_sixty_houses_fail_is_a_few_messages_an_hour_for_each_person(home: House) -> None:
    units = home.fleet(sites=60, units=1)
    home.person("Kim Example", digest_hour=None)
    home.look(EVENING)
    falls = list(units)
    for at in home.looks(EVENING, hours=8, step_min=10):
        if falls and at < EVENING + timedelta(hours=5):
            home.stand([falls.pop() for _ in range(2) if falls], "down", at)
    sent = [n for n in home.notices() if n["deliveries"]]
    assert Counter(t["unit"] for n in sent for t in n["triggers"]) == Counter(units)
    for first in sent:
        within = [n for n in sent if first["closed_at"] <= n["closed_at"] < first["closed_at"] + closing.SPAN]
        assert len(within) <= closing.PLENTY + 1
    assert len(sent) < 35
    several = [n for n in sent if n["cause"] == "several"]
    assert several
    assert "In one message, since they are so many" in several[0]["body"]
    assert several[0]["title"].endswith(f"at {several[0]['units']} sites")
    # Each site has its own note of having been told.
    assert len([n for n in home.notices() if n["site"]]) == 60


def test_forty_units_that_fall_together_are_one_message_with_their_count(home: House) -> None:
    units = home.fleet(sites=2, units=40)
    home.person("Kim Example")
    home.look(EVENING)
    home.stand(units[:40], "down", EVENING + MINUTES)
    home.look(EVENING + MINUTES)
    assert home.notices() == []
    home.look(EVENING + MINUTES + gather.GATHER)
    (notice,) = home.notices()
    assert (notice["site"], notice["units"], notice["standing"], notice["cause"]) == ("s-001", 40, "down", "cold_soak")
    assert notice["title"] == "s-001: 40 down"
    assert {(t["from"], t["to"]) for t in notice["triggers"]} == {("steady", "down")}
    assert {t["as_of"] for t in notice["triggers"]} == {"2026-01-24T01:01:00Z"}
    assert len(notice["triggers"]) == 40
    text = notice["body"]
    assert text.startswith("40 units at s-001 became worse; likely cause: cold soak.\n")
    assert "001-u001: down since 23 Jan 18:01, before steady; cold soak, very likely (81 %)" in text
    assert "  Starts in 0.33 s, 0.21 s expected" in text
    assert "  Bring: crankcase heater; clamp meter" in text
    assert f"  {LINK}/units/001-u001" in text
    assert "and 20 more." in text
    assert SAFETY in text


def test_a_unit_that_flaps_all_day_is_told_once_and_once_more_when_it_goes_down(home: House) -> None:
    (unit,) = home.fleet(sites=1, units=1)
    home.person("Kim Example", digest_hour=None)
    for n, at in enumerate(home.looks(EVENING, hours=24)):
        home.stand([unit], ("steady", "service")[n % 2], at)
    assert [n["standing"] for n in home.notices()] == ["service"]
    for at in home.looks(EVENING + timedelta(hours=24), hours=1):
        home.stand([unit], "down", at)
    assert [n["standing"] for n in home.notices()] == ["service", "down"]


def test_a_change_for_the_better_or_to_watch_is_not_told_at_once(home: House) -> None:
    units = home.fleet(sites=1, units=4)
    home.stand(units[:2], "down", EVENING)
    home.person("Kim Example", digest_hour=None)
    home.look(EVENING)
    home.stand(units[:1], "service", EVENING)
    home.stand(units[1:2], "steady", EVENING)
    home.stand(units[2:3], "watch", EVENING)
    for _ in home.looks(EVENING + MINUTES, hours=2):
        pass
    assert home.notices() == []


def test_quiet_hours_hold_everything_but_down_for_who_wants_to_be_woken(database: str) -> None:
    with house(database, quiet_from="21:00", quiet_to="06:30") as home:
        units = home.fleet(sites=1, units=3)
        home.person("Kim Example", digest_hour=None)
        home.person("Robin Example", digest_hour=None, wake_for_down=True)
        home.person("Sam Example", digest_hour=None, quiet_from=time(0), quiet_to=time(0))
        home.person("Jo Example", digest_hour=None, quiet_from=time(23), quiet_to=time(5))
        home.look(EVENING)
        night = datetime(2026, 1, 24, 7, tzinfo=UTC)
        home.stand(units[:1], "service", night, "mechanical")
        home.stand(units[1:2], "down", night)
        for _ in home.looks(night, hours=9, step_min=5):
            pass
        went = {(n["person"], n["standing"]): n["closed_at"].astimezone(ZoneInfo(ZONE)) for n in home.notices()}
    at_once, six_thirty, five = time(0, 5), time(6, 30), time(5)
    assert {key: at.time() for key, at in went.items()} == {
        ("Kim Example", "service"): six_thirty,
        ("Kim Example", "down"): six_thirty,
        ("Robin Example", "service"): six_thirty,
        ("Robin Example", "down"): at_once,
        ("Sam Example", "service"): at_once,
        ("Sam Example", "down"): at_once,
        ("Jo Example", "service"): five,
        ("Jo Example", "down"): five,
    }


def test_a_unit_that_recovers_in_quiet_hours_is_told_at_their_end_with_what_holds_then(database: str) -> None:
    with house(database, quiet_from="21:00", quiet_to="06:30") as home:
        (unit,) = home.fleet(sites=1, units=1)
        home.person("Kim Example", digest_hour=None)
        home.look(EVENING)
        night = datetime(2026, 1, 24, 7, tzinfo=UTC)
        home.stand([unit], "down", night)
        home.look(night)
        home.stand([unit], "steady", night + timedelta(hours=2))
        for _ in home.looks(night + timedelta(hours=2), hours=7):
            pass
        (notice,) = home.notices()
    assert "down since 24 Jan 00:00, before steady; now steady" in notice["body"]


def test_quiet_hours_end_by_the_wall_clock_when_it_is_put_forward(database: str) -> None:
    with house(database, quiet_from="21:00", quiet_to="06:30") as home:
        (unit,) = home.fleet(sites=1, units=1)
        home.person("Kim Example", digest_hour=7)
        # In Denver the clock was put forward in the night to 8 March 2026: 06:30 is 12:30 UTC then, 13:30 before.
        night = datetime(2026, 3, 8, 5, tzinfo=UTC)
        home.look(night)
        home.stand([unit], "down", night)
        for _ in home.looks(night, hours=10, step_min=10):
            pass
        change, digest = home.notices()
    assert change["closed_at"] == datetime(2026, 3, 8, 12, 30, tzinfo=UTC)
    assert (digest["kind"], digest["closed_at"]) == ("digest", datetime(2026, 3, 8, 13, tzinfo=UTC))


def test_a_digest_comes_each_day_worst_first_until_it_is_acknowledged(home: House) -> None:
    units = home.fleet(sites=2, units=5)
    home.person("Kim Example", digest_hour=7)
    home.person("Robin Example", digest_hour=None)
    home.stand(units[:1], "watch", EVENING)
    home.stand(units[1:3], "service", EVENING)
    home.stand(units[3:4], "down", EVENING)
    home.stand(units[9:], "silent", EVENING)

    def digest_of(day: int) -> dict[str, object]:
        for _ in home.looks(datetime(2026, 1, day, 13, tzinfo=UTC), hours=3):
            pass
        return next(n for n in home.notices("digest") if n["day"] == date(2026, 1, day))

    home.look(EVENING)
    first = digest_of(24)
    assert first["title"] == "Not yet seen: 1 down, 2 for service, 1 to watch, 1 silent"
    assert first["units"] == 5
    body = str(first["body"])
    places = [body.index(f"{n}. {name} at") for n, name in enumerate(["001-u004", "001-u002", "001-u003"], 1)]
    assert places == sorted(places)
    assert SAFETY in body
    home.connection.execute(
        "insert into attention (unit_id, account_id, acknowledged_at, acknowledged_standing)"
        " select unit_id, account_id, now(), standing from standing where standing <> 'watch'"
    )
    second = digest_of(25)
    assert (second["title"], second["units"]) == ("Not yet seen: 1 to watch", 1)
    # What was seen as needing service and is down now has not been seen.
    home.stand(units[1:2], "down", EVENING)
    assert digest_of(26)["title"] == "Not yet seen: 1 down, 1 to watch"
    home.stand(units, "steady", EVENING)
    empty = digest_of(27)
    assert (empty["units"], empty["deliveries"]) == (0, 0)
    assert {n["person"] for n in home.notices("digest")} == {"Kim Example"}
    assert len(home.notices("digest")) == 4


def test_a_muted_unit_is_told_of_again_when_it_is_worse_or_was_visited(home: House) -> None:
    units = home.fleet(sites=1, units=3)
    home.person("Kim Example", digest_hour=7)
    home.stand(units, "service", EVENING)
    home.look(EVENING)
    home.connection.execute(
        "insert into notice_mute (unit_id, account_id, standing, muted_at)"
        " select unit_id, account_id, 'service', %s from unit where unit <> %s",
        (EVENING, units[2]),
    )
    for _ in home.looks(datetime(2026, 1, 24, 13, tzinfo=UTC), hours=3):
        pass
    assert [(n["kind"], n["units"]) for n in home.notices()] == [("digest", 1)]
    later = datetime(2026, 1, 24, 18, tzinfo=UTC)
    home.stand(units[:1], "down", later)
    home.look(later)
    home.look(later + gather.GATHER)
    assert [t["unit"] for t in home.notices("change")[0]["triggers"]] == [units[0]]
    home.connection.execute(
        "insert into visit (account_id, unit_id, at, work) select account_id, unit_id, %s, '{other}' from unit"
        " where unit = %s",
        (later, units[1]),
    )
    home.look(later + 5 * MINUTES)
    assert home.connection.execute("select count(*) from notice_mute").fetchone() == (0,)


def test_while_our_intake_is_out_nothing_is_told_and_afterwards_not_the_silence_that_it_made(home: House) -> None:
    units = home.fleet(sites=4, units=25)
    home.person("Kim Example")
    home.look(EVENING)
    # Nothing is received for eight hours; the watch goes on, and takes everybody for silent, some for down.
    for at in deaf(home, EVENING + MINUTES, hours=8):
        home.stand(units[:60], "silent", at)
        home.stand(units[60:63], "down", at)
    assert home.notices() == []
    behind = home.connection.execute("select behind from notice_account").fetchone()
    assert behind == ("intake receives nothing",)
    # It is back: what waited is read, all are heard again but for three, which are down in truth.
    back = EVENING + timedelta(hours=8)
    home.stand(units[:60], "steady", back)
    for _ in home.looks(back, hours=28):
        pass
    assert [(n["kind"], n["units"], n["standing"]) for n in home.notices()] == [
        ("change", 3, "down"),
        ("digest", 3, "down"),
    ]
    change, digest = home.notices()
    assert change["closed_at"] >= back + timedelta(minutes=30)
    assert digest["closed_at"] > change["closed_at"]


def test_a_unit_that_stays_silent_a_day_after_our_outage_is_told(home: House) -> None:
    units = home.fleet(sites=1, units=30)
    home.person("Kim Example", digest_hour=None)
    home.look(EVENING)
    for at in deaf(home, EVENING + MINUTES, hours=5):
        home.stand(units, "silent", at)
    back = EVENING + timedelta(hours=5)
    home.stand(units[1:], "steady", back)
    for _ in home.looks(back, hours=26):
        pass
    (notice,) = home.notices()
    assert [t["unit"] for t in notice["triggers"]] == units[:1]
    assert notice["closed_at"] >= back + timedelta(hours=24)


def deaf(home: House, first: datetime, hours: float) -> Iterator[datetime]:
    """Yield instants after each of which the account is looked at; nothing was received for three hours or more."""
    home.connection.execute("update intake_minute set minute = minute - interval '3 hours'")
    for n in range(int(hours * 4)):
        at = first + 15 * n * MINUTES
        yield at
        home.connection.execute("update standing set as_of = %s", (at,))
        home.look(at, well=False)


def test_an_intake_that_does_not_run_is_noticed_at_once(database: str) -> None:
    with house(database) as home:
        units = home.fleet(sites=1, units=5)
        home.person("Kim Example", digest_hour=None)
        home.look(EVENING)
        home.connection.execute(
            "select pg_terminate_backend(pid) from pg_locks where locktype = 'advisory' and pid <> pg_backend_pid()"
        )
        home.stand(units, "down", EVENING)
        for _ in home.looks(EVENING + MINUTES, hours=2):
            pass
        assert home.notices() == []
        assert home.connection.execute("select behind from notice_account").fetchone() == ("no intake runs",)


def test_what_held_before_anybody_could_be_told_is_no_change(home: House) -> None:
    units = home.fleet(sites=1, units=5)
    home.stand(units, "down", EVENING)
    home.look(EVENING)
    person_id = home.person("Kim Example", digest_hour=None)
    for _ in home.looks(EVENING + MINUTES, hours=1):
        pass
    assert home.notices() == []
    # Likewise where nobody could be told for a while.
    home.connection.execute("delete from notice_target")
    home.stand(units, "steady", EVENING)
    home.look(EVENING + timedelta(hours=2))
    home.stand(units, "down", EVENING)
    home.connection.execute(
        "insert into notice_target (account_id, person_id, url) values (%s, %s, 'json://127.0.0.1:9/')",
        (home.account_id, person_id),
    )
    for _ in home.looks(EVENING + timedelta(hours=3), hours=1):
        pass
    assert home.notices() == []


def test_a_replayed_winter_goes_by_the_clock_of_its_data(home: House) -> None:
    units = home.fleet(sites=1, units=2)
    home.person("Kim Example", digest_hour=None)
    home.connection.execute(
        "insert into heard (unit_id, account_id, last_at, last_received_at)"
        " select unit_id, account_id, %s, now() from unit",
        (EVENING,),
    )
    today = datetime(2031, 6, 1, tzinfo=UTC)
    home.look(today, well=False, clock="data")
    home.stand(units, "service", EVENING)
    home.look(today, well=False, clock="data")
    home.connection.execute("update heard set last_at = %s", (EVENING + gather.GATHER,))
    home.look(today, well=False, clock="data")
    (notice,) = home.notices()
    assert notice["closed_at"] == EVENING + gather.GATHER


def test_nobody_is_told_of_another_accounts_units(home: House) -> None:
    row = home.connection.execute(
        "insert into account (name) values ('Otherdale Heating') returning account_id"
    ).fetchone()
    assert row is not None
    other = House(home.database, home.connection, home.pool, row[0])
    for each, name in ((home, "Kim Example"), (other, "Robin Example")):
        each.fleet(sites=1, units=3)
        each.person(name, digest_hour=7)
    home.look(EVENING)
    other.stand(["001-u002"], "down", EVENING)
    for _ in home.looks(EVENING + MINUTES, hours=1):
        other.well(EVENING + timedelta(hours=1))
    assert home.notices() == []
    (notice,) = other.notices()
    assert (notice["person"], notice["deliveries"]) == ("Robin Example", 1)
    for _ in home.looks(datetime(2026, 1, 24, 14, tzinfo=UTC), hours=0.5):
        other.well(datetime(2026, 1, 24, 14, 15, tzinfo=UTC))
    assert [(n["person"], n["units"]) for n in home.notices("digest")] == [("Kim Example", 0)]
    assert [(n["person"], n["units"]) for n in other.notices("digest")] == [("Robin Example", 1)]
