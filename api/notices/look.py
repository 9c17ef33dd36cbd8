"""One look at an account: what changed becomes messages, and messages whose time has come get their text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

import numpy as np
from psycopg.types.json import Jsonb

from api.notices import gather, hours, trust
from api.notices.account import Conn, Look, ask, one
from api.notices.closing import close
from api.notices.decide import CALM_S, Memory, decide
from api.notices.gather import Gathering, Key, Told, Wishes
from api.notices.gravity import LEVELS, levels
from api.quantities import zone as zone_of
from api.queries import Row, writing


@dataclass(frozen=True)
class Seen:
    """What a look came to: what keeps us from telling anything, changes that are told, and messages closed."""

    behind: str | None
    told: int
    closed: int


def look(by: Look) -> Seen | None:
    """Look at an account once; return what came of it, or None where somebody else is at it.

    All of it happens in one transaction: a program that is killed meanwhile has done nothing.
    """
    reader = by.reader
    with writing(reader.pool) as conn:
        if not one(conn, by, "alone")["alone"]:
            return None
        ask(conn, by, "end_mutes", levels=list(LEVELS))
        before = _trust(conn, by)
        facts = trust.Facts(**one(conn, by, "facts"))
        now = trust.turned(before, trust.behind(facts, by.wall, reader.now, live=by.live), reader.now)
        ask(conn, by, "set_trust", **vars(now))
        if not now.holds(reader.now):
            return Seen(now.behind, 0, 0)
        people = _people(conn, by)
        changes = _changes(conn, by, believe_silence=now.believes_silence(reader.now))
        if changes:
            _gather(conn, by, people, changes)
        _begin_digests(conn, by, people)
        return Seen(None, len(changes), close(conn, by))


def _people(conn: Conn, by: Look) -> list[Wishes]:
    account = gather.quiet_of(_time(by, "quiet_from"), _time(by, "quiet_to"))
    return [
        Wishes(
            p["person_id"],
            p["person"],
            p["standings"],
            account if p["quiet_from"] is None else gather.quiet_of(p["quiet_from"], p["quiet_to"]),
            p["wake_for_down"],
            p["digest_hour"],
        )
        for p in ask(conn, by, "people")
    ]


def _changes(conn: Conn, by: Look, *, believe_silence: bool) -> list[Row]:
    """Return the units whose change is told, and remember what was looked at."""
    at = by.now
    first = bool(one(conn, by, "first")["first"])
    found = ask(conn, by, "changed", first=first, calm=at - timedelta(seconds=CALM_S))
    if not found:
        return []
    since_s = np.array([b.timestamp() if b is not None else np.nan for b in (f["better_since"] for f in found)])
    now, told, muted = (levels(f[name] for f in found) for name in ("standing", "told", "muted"))
    made = decide(
        now,
        Memory(told, since_s),
        muted,
        at.timestamp(),
        first=first,
        believe_silence=believe_silence,
    )
    kept = np.flatnonzero(~made.waits)
    better = [None if np.isnan(s) else datetime.fromtimestamp(s, UTC) for s in made.memory.better_since_s[kept]]
    ask(
        conn,
        by,
        "remember",
        unit_ids=[found[row]["unit_id"] for row in kept],
        standings=[found[row]["standing"] for row in kept],
        told=[LEVELS[n] for n in made.memory.told[kept]],
        better=better,
    )
    return [found[row] for row in np.flatnonzero(made.tell)]


def _gather(conn: Conn, by: Look, people: Sequence[Wishes], changes: Sequence[Row]) -> None:
    """Add changes to the messages that gather already, and begin those that are wanting."""
    at = by.now
    told = {
        Key(r["person_id"], r["site"], r["cause"]): Told(r["gravest"], r["at"])
        for r in ask(conn, by, "told", levels=list(LEVELS), since=at - gather.AGAIN)
    }
    open_ones = {
        (key := Key(r["person_id"], r["site"], r["cause"])): Gathering(
            key, "UTC", {t["unit"]: t for t in r["triggers"]}, r["due_at"], r["notice_id"]
        )
        for r in ask(conn, by, "gathering")
    }
    wishes = {p.person_id: p for p in people}
    zone = _account_zone(by)
    for more in gather.by_person(changes, people, at):
        person = wishes[more.key.person_id]
        whole = gather.joined(open_ones[more.key], more) if more.key in open_ones else more
        message = gather.timed(whole, person, told.get(more.key), at, zone)
        values = {
            "notice_id": message.notice_id,
            **message.key._asdict(),
            "person": person.person,
            "standing": LEVELS[message.gravest],
            "units": len(message.triggers),
            "triggers": Jsonb(list(message.triggers.values())),
            "due_at": message.due_at,
            "at": at,
        }
        ask(conn, by, "begin" if message.notice_id is None else "add", **values)


def _begin_digests(conn: Conn, by: Look, people: Sequence[Wishes]) -> None:
    """Begin the digest of each person whose hour has come."""
    zone = _account_zone(by) or zone_of(one(conn, by, "zone")["zone"])
    at = by.now
    wanting = [p for p in people if hours.digest_due(at, p.digest_hour, zone)]
    if not wanting:
        return
    day = at.astimezone(zone).date()
    had = {r["person_id"] for r in ask(conn, by, "had_digest", day=day)}
    for person in [p for p in wanting if p.person_id not in had]:
        due_at = hours.due(at, person.quiet, zone)
        ask(conn, by, "begin_digest", person_id=person.person_id, person=person.person, day=day, at=at, due_at=due_at)


def _trust(conn: Conn, by: Look) -> trust.Trust | None:
    found = ask(conn, by, "trust")
    return trust.Trust(**found[0]) if found else None


def _time(by: Look, name: str) -> time | None:
    told = by.reader.settings.get(name)
    return time.fromisoformat(told) if told else None


def _account_zone(by: Look) -> tzinfo | None:
    name = by.reader.settings.get("zone")
    return zone_of(name) if name else None
