"""Putting what cannot be stored into quarantine."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

import psycopg

from ingest.named_sql import queries


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
    """Put items into quarantine; one that is there already, be it a redelivery, is counted and not kept twice."""
    rows = sorted(held, key=lambda h: (h.topic, h.payload))  # one order, so that two intakes never wait crosswise
    if rows:
        with connection.transaction(), connection.cursor() as cursor:
            cursor.executemany(_SQL["put"], [row._asdict() for row in rows])


_SQL = queries("ingest", "sql/quarantine.sql")
