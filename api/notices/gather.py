"""From changed units to messages: one for a person, a site and a cause, with the units that it is about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta, tzinfo
from itertools import product
from typing import Any, NamedTuple

from api.notices import hours
from api.notices.gravity import DOWN, level
from api.quantities import zone as zone_of

GATHER = timedelta(minutes=2)
"""A message waits so long for further units before it goes."""
AGAIN = timedelta(hours=16)
"""Until so long after a message, a night and its digest, the next of the same person, site and cause is put off; only
the first unit there that is down is not, for who wants to be woken for it."""


@dataclass(frozen=True)
class Wishes:
    """How one person wants to be told."""

    person_id: int
    person: str
    standings: Sequence[str]
    quiet: hours.Quiet | None = None
    wake_for_down: bool = False
    digest_hour: int | None = 7


class Key(NamedTuple):
    """What a message is about: whom it is for, where the units are, and what the likely cause is."""

    person_id: int
    site: str | None
    cause: str


@dataclass(frozen=True)
class Gathering:
    """A message that still gathers units: `triggers` holds one object a unit, by its name."""

    key: Key
    zone: str
    triggers: dict[str, dict[str, Any]] = field(default_factory=dict)
    due_at: datetime | None = None
    notice_id: int | None = None

    @property
    def gravest(self) -> int:
        """Gravity of the gravest standing among its units."""
        return max(level(t["to"]) for t in self.triggers.values())


@dataclass(frozen=True)
class Told:
    """What went out lately of a key: the gravest standing, and when the last of it went."""

    gravest: int
    at: datetime


def by_person(changes: Sequence[Mapping[str, Any]], people: Sequence[Wishes], at: datetime) -> list[Gathering]:
    """Return the messages that a round of changes asks for.

    Parameters
    ----------
    changes : ``unit site zone cause was standing as_of``, one row a unit whose change is told
    people : everybody who can be told
    at : the present instant
    """
    messages: dict[Key, Gathering] = {}
    for row, person in product(changes, people):
        if row["standing"] not in person.standings:
            continue
        key = Key(person.person_id, row["site"], row["cause"])
        message = messages.setdefault(key, Gathering(key, row["zone"], {}))
        message.triggers[row["unit"]] = {
            "unit": row["unit"],
            "from": row["was"],
            "to": row["standing"],
            "as_of": stamp(row["as_of"]),
            "at": stamp(at),
        }
    return list(messages.values())


def joined(gathering: Gathering, more: Gathering) -> Gathering:
    """Return a message with the units of another added; a unit that is in both keeps the standing it began from."""
    triggers = dict(gathering.triggers)
    for unit, trigger in more.triggers.items():
        triggers[unit] = {**trigger, "from": triggers[unit]["from"]} if unit in triggers else trigger
    return Gathering(gathering.key, more.zone, triggers, gathering.due_at, gathering.notice_id)


def timed(message: Gathering, wishes: Wishes, told: Told | None, at: datetime, zone: tzinfo | None) -> Gathering:
    """Return a message with the instant at which it goes, never later than was settled before.

    Parameters
    ----------
    told : what went out of the same key within :data:`AGAIN`; None where nothing did
    zone : of the account; None to go by the site's
    """
    ready = at + GATHER
    urgent = wishes.wake_for_down and message.gravest == DOWN
    if told is not None and not (urgent and told.gravest < DOWN):
        ready = max(ready, told.at + AGAIN)
    if not urgent:
        ready = hours.due(ready, wishes.quiet, zone or zone_of(message.zone))
    due_at = ready if message.due_at is None else min(message.due_at, ready)
    return Gathering(message.key, message.zone, message.triggers, due_at, message.notice_id)


def quiet_of(begins: time | None, ends: time | None) -> hours.Quiet | None:
    """Return quiet hours from two times of the day; None where they are not set, or are the same."""
    return None if begins is None or ends is None or begins == ends else hours.Quiet(begins, ends)


def stamp(at: datetime) -> str:
    """Return an instant as RFC 3339 in UTC."""
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
