"""Putting what cannot be stored into quarantine."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

import psycopg

from ingest.named_sql import queries

MOST_ITEMS = 100_000
MOST_BYTES = 1_000_000_000
"""What quarantine may hold; a device that sends nothing but rubbish must not fill the disk."""
_LOOK_EVERY = 1_000

log = logging.getLogger(__name__)
_put = 0


class Held(NamedTuple):
    """What goes into quarantine: whose it is where that is known, the item as it came, and why."""

    account_id: int | None
    device: str | None
    topic: str
    payload: bytes
    reason: str
    detail: str
    received_at: datetime


def put(connection: psycopg.Connection, held: Iterable[Held]) -> None:
    """Put items into quarantine; one that is there already, be it a redelivery, is counted and not kept twice.

    Every thousand items what is over the cap is dropped: see :func:`trim`.
    """
    global _put  # noqa: PLW0603 - how long ago this process looked is nobody else's business
    rows = sorted(held, key=lambda h: (h.topic, h.payload))  # one order, so that two intakes never wait crosswise
    if rows:
        with connection.transaction(), connection.cursor() as cursor:
            cursor.executemany(_SQL["put"], [row._asdict() for row in rows])
            _put += len(rows)
            if _put >= _LOOK_EVERY:
                _put = 0
                trim(connection)


def trim(connection: psycopg.Connection, items: int = MOST_ITEMS, size_bytes: int = MOST_BYTES) -> int:
    """Drop what quarantine holds over its cap, and return how many items that were.

    Dropped are first those that were put through already, then the oldest of the devices that have most there.
    """
    dropped = connection.execute(_SQL["trim"], {"items": items, "bytes": size_bytes}).rowcount
    if dropped:
        log.warning("quarantine is full: %d items are dropped, the oldest of the devices that have most there", dropped)
    return dropped


_SQL = queries("ingest", "sql/quarantine.sql")
