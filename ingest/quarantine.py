"""What could not be stored: list it, show it, put it through again after the cause is mended, or drop it."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import psycopg
from psycopg.rows import dict_row

from ingest.held import Held, put
from ingest.intake import Mappings, Message, sort, write
from ingest.named_sql import queries
from ingest.store import conflicts

FILE_TOPIC = "file/"
"""What the topic of a record from a file begins with; such a record is mended in its file."""


class Replayed(NamedTuple):
    """How many items were stored and released, and how many still cannot be."""

    released: int
    kept: int


def listed(
    connection: psycopg.Connection,
    account_id: int | None,
    *,
    reason: str | None = None,
    device: str | None = None,
    after: int = 0,
    limit: int = 1_000,
    strays: bool = True,
) -> list[dict[str, Any]]:
    """Return what is in quarantine, oldest first, without the payloads.

    Parameters
    ----------
    account_id
        Only of this account; of all without it.
    after
        Only those with a larger number: the last one of the page before.
    strays
        Also what belongs to no known account: an unknown device's, or under a topic that is none of ours.

    Returns
    -------
    list of dict
        ``quarantine_id received_at reason device topic detail seen tries bytes``.
    """
    wanted = {"account_id": account_id, "reason": reason, "device": device, "after": after, "limit": limit}
    with connection.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(_SQL["listed"], wanted | {"strays": strays}).fetchall()


def counted(connection: psycopg.Connection, account_id: int | None, *, strays: bool = True) -> dict[str, int]:
    """Return how much is in quarantine, by reason."""
    return dict(connection.execute(_SQL["counted"], {"account_id": account_id, "strays": strays}).fetchall())


def shown(
    connection: psycopg.Connection, account_id: int | None, quarantine_id: int, *, strays: bool = True
) -> dict[str, Any] | None:
    """Return one item with its payload as bytes, or None where there is no such item."""
    wanted = {"account_id": account_id, "quarantine_id": quarantine_id, "strays": strays}
    with connection.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(_SQL["shown"], wanted).fetchone()


def as_text(payload: bytes) -> tuple[str, str | None]:
    """Return a payload as text, and in base64 as well where it is not UTF-8."""
    try:
        return payload.decode(), None
    except UnicodeDecodeError:
        return payload.decode(errors="backslashreplace"), base64.b64encode(payload).decode()


def printable(text: str) -> str:
    """Return a payload that comes from anywhere so that it cannot steer whatever shows it."""
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)


def replay(
    connection: psycopg.Connection,
    quarantine_ids: Iterable[int],
    progress: Callable[[int], object] | None = None,
    mappings: Mappings = (),
) -> Replayed:
    """Put items through again, on the same path as if they had just come, each in a transaction of its own.

    What can be stored now is stored and released. Of an item that holds several records the good ones are stored and
    each bad one stays as an item of its own. What still cannot be used stays with its new reason. The clock is judged
    by when the item first came.
    """
    released = kept = 0
    for quarantine_id in quarantine_ids:
        done = _replay_one(connection, quarantine_id, mappings)
        released += done is True
        kept += done is False
        if progress:
            progress(1)
    return Replayed(released, kept)


def drop(connection: psycopg.Connection, quarantine_ids: Iterable[int]) -> int:
    """Delete items for good; return how many there were."""
    dropped = 0
    for quarantine_id in quarantine_ids:
        dropped += connection.execute(_SQL["drop"], {"quarantine_id": quarantine_id}).rowcount
    return dropped


def _replay_one(connection: psycopg.Connection, quarantine_id: int, mappings: Mappings) -> bool | None:
    """Return whether the item was released; None where it is gone or another session has it."""
    own = {"quarantine_id": quarantine_id}
    try:
        with connection.transaction():
            row = connection.execute(_SQL["held"], own).fetchone()
            if row is None:
                return None
            topic, payload, received_at, reason = row
            if topic.startswith(FILE_TOPIC):
                told = {
                    "reason": None,
                    "detail": "came from a file: mend the file and load it again",
                    "account_id": None,
                }
                connection.execute(_SQL["kept"], own | told)
                return False
            if reason == conflicts.REASON:  # what came first stands for good
                connection.execute(_SQL["again"], own)
                return False
            batch = sort(connection, [Message(topic, payload, received_at, retained=True)], mappings)
            account_id = next((a for a in batch.received if a is not None), None)
            same = next((h for h in batch.held if h.payload == payload), None)
            if same is not None:
                connection.execute(
                    _SQL["kept"], own | {"account_id": account_id, "reason": same.reason, "detail": same.detail}
                )
                return False
            connection.execute(_SQL["released"], own | {"account_id": account_id})
            write(connection, batch)
            return True
    except (psycopg.DataError, psycopg.IntegrityError) as error:
        told = {"reason": "impossible_value", "detail": f"the database refuses it: {error.diag.message_primary}"}
        connection.execute(_SQL["kept"], own | told | {"account_id": None})
        return False


_SQL = queries("ingest", "sql/quarantine.sql")

__all__ = ["Held", "Replayed", "as_text", "counted", "drop", "listed", "printable", "put", "replay", "shown"]
