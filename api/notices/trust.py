"""Whether our own intake and watch are fit to be believed: while they are not, nothing is told, and a while after.

The facts are those that health checks ask: does an intake hold its lease, when was anything last received, how long do
changed days wait for the watch, are most loggers off line at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

SETTLE = (timedelta(minutes=1), timedelta(minutes=30))
"""After an outage nothing is told for as long as it lasted, at least and at most so long: what waited is read first."""
SILENCE = timedelta(hours=24)
"""So long after an outage of an hour or more silence may still be of our making: peers are counted by whole days."""
LONG = timedelta(hours=1)
UNHEARD = timedelta(hours=2)
"""Loggers send a status every hour."""
WATCH_LATE = timedelta(minutes=15)
VERDICTS_LATE = timedelta(hours=2)
"""The watch judges every unit anew each hour."""
OFFLINE_SHARE = 0.5
FEW = 4
"""Fewer loggers than this may well be off line, or without a word, together."""


@dataclass(frozen=True)
class Facts:
    """What is known of our own parts, for one account; an instant is None where there is none.

    Parameters
    ----------
    devices, online, offline : loggers of the account, and how many say, or the broker said, that they are
    of_all : loggers of all accounts, counted up to :data:`FEW`
    intakes : those that hold a lease
    received_at : when anything was last received, of any account
    waiting_since : since when the oldest changed day waits for the watch
    judged_at : instant of the account's newest verdict
    """

    devices: int
    online: int
    offline: int
    of_all: int
    intakes: int
    received_at: datetime | None
    waiting_since: datetime | None
    judged_at: datetime | None


@dataclass(frozen=True)
class Trust:
    """Since when we are behind and why; else from when on changes, and silence, are told again."""

    settled_at: datetime
    silence_at: datetime
    behind: str | None = None
    behind_since: datetime | None = None

    def holds(self, now: datetime) -> bool:
        """Return whether changes are told."""
        return self.behind is None and now >= self.settled_at

    def believes_silence(self, now: datetime) -> bool:
        """Return whether silence is told."""
        return self.behind is None and now >= self.silence_at


def behind(facts: Facts, wall: datetime, now: datetime, *, live: bool) -> str | None:
    """Return in words what keeps us from being believed, or None.

    Parameters
    ----------
    wall : the machine's clock
    now : the account's clock
    live : whether the account goes by the machine's clock; a replayed history has no intake of its own
    """
    fed = live and facts.devices > 0
    told = facts.online + facts.offline
    unheard = facts.received_at is None or _older(facts.received_at, wall, UNHEARD)
    found = (
        (_older(facts.waiting_since, wall, WATCH_LATE), "the watch is behind: changed days wait for their verdicts"),
        (_older(facts.judged_at, now, VERDICTS_LATE), "the watch makes no verdicts"),
        (fed and facts.intakes == 0, "no intake runs"),
        (fed and facts.of_all >= FEW and unheard, "intake receives nothing"),
        (fed and told >= FEW and facts.offline > OFFLINE_SHARE * told, "most loggers are off line at once"),
    )
    return next((words for holds, words in found if holds), None)


def _older(at: datetime | None, now: datetime, than: timedelta) -> bool:
    return at is not None and now - at > than


def turned(before: Trust | None, found: str | None, now: datetime) -> Trust:
    """Return the trust that follows from what was found now; ``before`` is None the first time."""
    if before is None:
        before = Trust(settled_at=now, silence_at=now)
    if found is not None:
        return replace(before, behind=found, behind_since=before.behind_since or now)
    if before.behind_since is None:
        return before
    lasted = now - before.behind_since
    settled_at = now + min(max(lasted, SETTLE[0]), SETTLE[1])
    silence_at = now + SILENCE if lasted >= LONG else settled_at
    return Trust(max(settled_at, before.settled_at), max(silence_at, before.silence_at))
