"""Messages whose time has come get their text and their targets; of many at once to one person one is made."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from psycopg.types.json import Jsonb

from api.calls import locked_starts
from api.notices import gather, targets, text
from api.notices.account import Conn, Look, ask, one
from api.notices.gravity import UNACKNOWLEDGED, level
from api.queries import Row
from api.words import FLAGGED

PLENTY = 5
"""Messages of changes that one person gets one by one within :data:`SPAN`; what is beyond comes as one; common
practice, no source."""
SPAN = timedelta(hours=1)
MOST_KEPT = 500
"""Units that are kept with a message as what triggered it; how many there were is kept too."""


@dataclass(frozen=True)
class Made:
    """A message that goes out, what it is about, and about how many units."""

    said: text.Text
    triggers: list[dict[str, Any]]
    units: int


def close(conn: Conn, by: Look) -> int:
    """Close each message whose time has come, and make a delivery for each target of its person; return how many."""
    due = ask(conn, by, "due", at=by.now)
    if not due:
        return 0
    reach: defaultdict[int | None, list[Row]] = defaultdict(list)
    for target in ask(conn, by, "targets", person_ids=[n["person_id"] for n in due if n["person_id"]]):
        reach[target["person_id"]].append(target)
    lately = {r["person_id"]: r for r in ask(conn, by, "lately", since=by.now - SPAN)}
    digest: Made | None = None
    changes: defaultdict[int | None, list[Row]] = defaultdict(list)
    closed = 0
    for notice in due:
        if notice["kind"] == "digest":
            digest = digest or _digest(conn, by)
            _close(conn, by, notice, digest, reach[notice["person_id"]])
            closed += 1
        else:
            changes[notice["person_id"]].append(notice)
    for person_id, notices in changes.items():
        before = lately.get(person_id, {"single": 0, "several": 0})
        if before["single"] + len(notices) <= PLENTY:
            for notice in notices:
                _close(conn, by, notice, _of_changes(conn, by, notice), reach[person_id])
        elif before["several"]:
            # So many have gone already: the rest waits until the hour is over.
            continue
        else:
            _close_together(conn, by, notices, reach[person_id])
        closed += len(notices)
    return closed


def _close(conn: Conn, by: Look, notice: Row, made: Made, reached: Sequence[Row]) -> None:
    gravest = max((t["to"] for t in made.triggers), key=level, default=None)
    values = {"title": made.said.title, "body": made.said.body, "units": made.units, "standing": gravest}
    triggers = Jsonb(made.triggers[:MOST_KEPT])
    ask(conn, by, "close", notice_id=notice["notice_id"], at=by.now, triggers=triggers, **values)
    # A digest of nothing is noted, so that the day's is done with, and goes to nobody.
    _deliver(conn, by, notice["notice_id"], reached if made.units else [])


def _close_together(conn: Conn, by: Look, notices: Sequence[Row], reached: Sequence[Row]) -> None:
    """Tell of several messages by one; each is closed by itself too, so that what was told of its site is known."""
    every = sorted((t for n in notices for t in n["triggers"]), key=lambda t: -level(t["to"]))
    described = _described(conn, by, [t["unit"] for t in every])
    said = text.of_several([(n["site"], n["cause"], n["triggers"]) for n in notices], described, by.link)
    whole = one(
        conn,
        by,
        "begin_several",
        person_id=notices[0]["person_id"],
        person=notices[0]["person"],
        standing=every[0]["to"],
        units=len(every),
        triggers=Jsonb(every[:MOST_KEPT]),
        title=said.title,
        body=said.body,
        at=by.now,
    )
    _deliver(conn, by, whole["notice_id"], reached)
    for notice in notices:
        own = _of_changes(conn, by, notice)
        note = text.Text(own.said.title, f"Told in one message with others: {said.title}.\n")
        _close(conn, by, notice, Made(note, own.triggers, own.units), [])


def _deliver(conn: Conn, by: Look, notice_id: int, reached: Sequence[Row]) -> None:
    for target in reached:
        tail = targets.tail(target["url"])
        ask(conn, by, "deliver", notice_id=notice_id, target_id=target["target_id"], target=tail)


def _of_changes(conn: Conn, by: Look, notice: Row) -> Made:
    ordered = sorted(notice["triggers"], key=lambda t: -level(t["to"]))
    described = _described(conn, by, [t["unit"] for t in ordered])
    said = text.of_changes(notice["site"], notice["cause"], ordered, described, by.link)
    return Made(said, ordered, len(ordered))


def _digest(conn: Conn, by: Look) -> Made:
    unseen = ask(conn, by, "unseen", standings=list(UNACKNOWLEDGED), gravest=list(FLAGGED), now=by.now)
    counts = Counter(u["standing"] for u in unseen)
    described = _described(conn, by, [u["unit"] for u in unseen[: text.MOST_OF_DIGEST]])
    triggers = [
        {"unit": u["unit"], "from": None, "to": u["standing"], "as_of": gather.stamp(u["as_of"]), "at": None}
        for u in unseen
    ]
    return Made(text.of_digest(counts, described, by.link), triggers, len(unseen))


def _described(conn: Conn, by: Look, units: list[str]) -> list[Mapping[str, Any]]:
    found = ask(conn, by, "units", units=units, limit=max(text.MOST, text.MOST_OF_DIGEST))
    locked = locked_starts(by.reader, [f["unit_id"] for f in found])
    return [{**f, "locked_at": locked.get(f["unit_id"], [])} for f in found]
