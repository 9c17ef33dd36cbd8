"""The way of a message to a target: taken in hand, sent, noted; and when it is tried again."""

from __future__ import annotations

from datetime import timedelta

from api.notices import picture, targets
from api.queries import Pool, Row, writing
from ingest.named_sql import queries

FIRST_WAIT = timedelta(seconds=15)
TRIES = 8
"""With waits that grow fourfold up to `LONGEST_WAIT`, the last try comes some five hours after the first."""
LONGEST_WAIT = timedelta(hours=2)
GONE = "the target was removed"
_SQL = queries("api", "sql/notices.sql")


class NotTakenError(Exception):
    """A target's service did not take a message: it is tried again."""


def deliver(pool: Pool, account_id: int, delivery_id: int, tries: int = TRIES) -> str | None:
    """Send a message to its target, unless that was done; return its state then, None where nothing was to do.

    It is noted as `sending` before and as `sent` after, each by itself: killed between the two, it is sent once more,
    and never lost.

    Parameters
    ----------
    tries : after so many it is given up

    Raises
    ------
    NotTakenError
        The service did not take it, and it is to be tried again.
    """
    wanted = {"account_id": account_id, "delivery_id": delivery_id}
    with writing(pool) as conn:
        taken = conn.execute(_SQL["take"], wanted).fetchone()
    if taken is None:
        return None
    url, said = taken["url"], (taken["title"], taken["body"])
    gone = url is None
    error = GONE if gone else targets.send(url, *said, _picture(pool, account_id, taken))
    state = "sent" if error is None else "failed" if gone or taken["tries"] >= tries else "waiting"
    with writing(pool) as conn:
        conn.execute(_SQL["note"], {**wanted, "state": state, "error": error})
    if state == "waiting":
        raise NotTakenError(error)
    return state


def _picture(pool: Pool, account_id: int, taken: Row) -> str | None:
    """Return the picture that goes with a message, to where pictures are looked at."""
    if not targets.is_mail(taken["url"]):
        return None
    return picture.of_message(pool, account_id, taken["triggers"], taken["closed_at"])


def wait(tried: int, first: timedelta = FIRST_WAIT) -> timedelta:
    """Return how long to wait after so many tries: four times as long each time."""
    return min(first * float(4 ** max(0, tried - 1)), LONGEST_WAIT)
