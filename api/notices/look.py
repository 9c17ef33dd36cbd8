"""One look at an account: what changed becomes messages, and messages whose time has come get their text."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import Any

import numpy as np
import pandas as pd
from psycopg import Connection
from psycopg.rows import DictRow
from psycopg.types.json import Jsonb

from api.access import Reader
from api.calls import locked_starts
from api.notices import gather, hours, targets, text, trust
from api.notices.decide import CALM_S, Memory, decide
from api.notices.gather import Gathering, Key, Told, Wishes
from api.notices.gravity import LEVELS, UNACKNOWLEDGED, level, levels
from api.quantities import zone as zone_of
from api.queries import Row, writing
from api.words import FLAGGED
from ingest.named_sql import queries

_SQL = queries("api", "sql/notices.sql")
MOST_DESCRIBED = max(text.MOST, text.MOST_OF_DIGEST)
MOST_KEPT = 500
"""Units that are kept with a message as what triggered it; how many there were is kept too."""


@dataclass(frozen=True)
class Look:
    """What one look at an account goes by.

    Parameters
    ----------
    reader : the account; its `now` is by the account's clock
    wall : the machine's clock
    live : whether the account goes by the machine's clock
    link : what the addresses of pages begin with; None for none
    """

    reader: Reader
    wall: datetime
    live: bool
    link: str | None = None


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
        if not _one(conn, by, "alone")["alone"]:
            return None
        _ask(conn, by, "end_mutes", levels=list(LEVELS))
        before = _trust(conn, by)
        facts = trust.Facts(**_one(conn, by, "facts"))
        now = trust.turned(before, trust.behind(facts, by.wall, reader.now, live=by.live), reader.now)
        _run(conn, by, "set_trust", **vars(now))
        if not now.holds(reader.now):
            return Seen(now.behind, 0, 0)
        people = _people(conn, by)
        changes = _changes(conn, by, believe_silence=now.believes_silence(reader.now))
        if len(changes):
            _gather(conn, by, people, changes)
        _begin_digests(conn, by, people)
        return Seen(None, len(changes), _close(conn, by))


def _people(conn: Connection[DictRow], by: Look) -> list[Wishes]:
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
        for p in _ask(conn, by, "people")
    ]


def _changes(conn: Connection[DictRow], by: Look, *, believe_silence: bool) -> pd.DataFrame:
    """Return the units whose change is told, and remember what was looked at."""
    at = by.reader.now
    first = bool(_one(conn, by, "first")["first"])
    found = _ask(conn, by, "changed", first=first, calm=at - timedelta(seconds=CALM_S))
    if not found:
        return pd.DataFrame()
    frame = pd.DataFrame(found)
    since_s = np.array([b.timestamp() if b is not None else np.nan for b in (f["better_since"] for f in found)])
    made = decide(
        levels(frame["standing"]),
        Memory(levels(frame["told"]), since_s),
        levels(frame["muted"]),
        at.timestamp(),
        first=first,
        believe_silence=believe_silence,
    )
    kept = ~made.waits
    better = [None if np.isnan(s) else datetime.fromtimestamp(s, UTC) for s in made.memory.better_since_s[kept]]
    _run(
        conn,
        by,
        "remember",
        unit_ids=frame["unit_id"][kept].tolist(),
        standings=frame["standing"][kept].tolist(),
        told=[LEVELS[n] for n in made.memory.told[kept]],
        better=better,
    )
    return frame[made.tell]


def _gather(conn: Connection[DictRow], by: Look, people: Sequence[Wishes], changes: pd.DataFrame) -> None:
    """Add changes to the messages that gather already, and begin those that are wanting."""
    at = by.reader.now
    told = {
        Key(r["person_id"], r["site"], r["cause"]): Told(r["gravest"], r["at"])
        for r in _ask(conn, by, "told", levels=list(LEVELS), since=at - gather.AGAIN)
    }
    open_ones = {
        (key := Key(r["person_id"], r["site"], r["cause"])): Gathering(
            key, "UTC", {t["unit"]: t for t in r["triggers"]}, r["due_at"], r["notice_id"]
        )
        for r in _ask(conn, by, "gathering")
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
        _run(conn, by, "begin" if message.notice_id is None else "add", **values)


def _begin_digests(conn: Connection[DictRow], by: Look, people: Sequence[Wishes]) -> None:
    """Begin the digest of each person whose hour has come."""
    zone = _account_zone(by) or zone_of(_one(conn, by, "zone")["zone"])
    at = by.reader.now
    wanting = [p for p in people if hours.digest_due(at, p.digest_hour, zone)]
    if not wanting:
        return
    day = at.astimezone(zone).date()
    had = {r["person_id"] for r in _ask(conn, by, "had_digest", day=day)}
    for person in [p for p in wanting if p.person_id not in had]:
        due_at = hours.due(at, person.quiet, zone)
        _run(conn, by, "begin_digest", person_id=person.person_id, person=person.person, day=day, at=at, due_at=due_at)


def _close(conn: Connection[DictRow], by: Look) -> int:
    """Make the text of each message whose time has come, and a delivery for each target of its person."""
    due = _ask(conn, by, "due", at=by.reader.now)
    if not due:
        return 0
    reach: defaultdict[int, list[Row]] = defaultdict(list)
    for target in _ask(conn, by, "targets", person_ids=[n["person_id"] for n in due if n["person_id"]]):
        reach[target["person_id"]].append(target)
    digest: Made | None = None
    for notice in due:
        if notice["kind"] == "digest":
            made = digest = digest or _digest(conn, by)
        else:
            made = _of_changes(conn, by, notice)
        gravest = max((t["to"] for t in made.triggers), key=level, default=None)
        values = {"title": made.said.title, "body": made.said.body, "units": made.units, "standing": gravest}
        triggers = Jsonb(made.triggers[:MOST_KEPT])
        _run(conn, by, "close", notice_id=notice["notice_id"], at=by.reader.now, triggers=triggers, **values)
        # A digest of nothing is noted, so that the day's is done with, and goes to nobody.
        for target in reach[notice["person_id"]] if made.units else []:
            tail = targets.tail(target["url"])
            _run(conn, by, "deliver", notice_id=notice["notice_id"], target_id=target["target_id"], target=tail)
    return len(due)


@dataclass(frozen=True)
class Made:
    """A message that goes out, what it is about, and about how many units."""

    said: text.Text
    triggers: list[dict[str, Any]]
    units: int


def _of_changes(conn: Connection[DictRow], by: Look, notice: Row) -> Made:
    ordered = sorted(notice["triggers"], key=lambda t: -level(t["to"]))
    described = _described(conn, by, [t["unit"] for t in ordered])
    said = text.of_changes(notice["site"], notice["cause"], ordered, described, by.link)
    return Made(said, ordered, len(ordered))


def _digest(conn: Connection[DictRow], by: Look) -> Made:
    wanted = {"standings": list(UNACKNOWLEDGED), "gravest": list(FLAGGED), "now": by.reader.now}
    unseen = _ask(conn, by, "unseen", **wanted)
    counts = Counter(u["standing"] for u in unseen)
    described = _described(conn, by, [u["unit"] for u in unseen[: text.MOST_OF_DIGEST]])
    triggers = [
        {"unit": u["unit"], "from": None, "to": u["standing"], "as_of": gather.stamp(u["as_of"]), "at": None}
        for u in unseen
    ]
    return Made(text.of_digest(counts, described, by.link), triggers, len(unseen))


def _described(conn: Connection[DictRow], by: Look, units: list[str]) -> list[Mapping[str, Any]]:
    found = _ask(conn, by, "units", units=units, limit=MOST_DESCRIBED)
    locked = locked_starts(by.reader, [f["unit_id"] for f in found])
    return [{**f, "locked_at": locked.get(f["unit_id"], [])} for f in found]


def _trust(conn: Connection[DictRow], by: Look) -> trust.Trust | None:
    found = _ask(conn, by, "trust")
    return trust.Trust(**found[0]) if found else None


def _time(by: Look, name: str) -> time | None:
    told = by.reader.settings.get(name)
    return time.fromisoformat(told) if told else None


def _account_zone(by: Look) -> tzinfo | None:
    name = by.reader.settings.get("zone")
    return zone_of(name) if name else None


def _ask(conn: Connection[DictRow], by: Look, name: str, **values: object) -> list[Row]:
    cursor = conn.execute(_SQL[name], {"account_id": by.reader.account_id, **values})
    return cursor.fetchall() if cursor.description else []


def _one(conn: Connection[DictRow], by: Look, name: str) -> Row:
    return _ask(conn, by, name)[0]


def _run(conn: Connection[DictRow], by: Look, name: str, **values: object) -> None:
    conn.execute(_SQL[name], {"account_id": by.reader.account_id, **values})
