"""Who may use which name at the broker: a lease in the database, so that two intakes never fight over one.

A broker ends the older of two connections under one client id, so two intakes of one name would throw each other out
for ever. The lease is an advisory lock of the session: it lasts exactly as long as the connection that took it, and so
needs no clock and no renewal, and an intake that was killed leaves it free at once. An intake that loses its
database loses its lease, and leaves the broker before it asks again.
"""

from __future__ import annotations

import psycopg

from ingest.named_sql import queries

MOST = 100
"""Intakes that may share a subscription: numbers are tried from 1 up."""


def claim(connection: psycopg.Connection, client_id: str, *, numbered: bool) -> str | None:
    """Take the name, or with ``numbered`` the lowest free one of ``NAME-1``, ``NAME-2``...; None if none is free.

    The lowest comes first because the broker keeps a queue for each: what a killed intake left is taken over by the
    next that starts.
    """
    connection.execute(_SQL["keepalive"])
    names = [f"{client_id}-{number}" for number in range(1, MOST + 1)] if numbered else [client_id]
    for name in names:
        row = connection.execute(_SQL["claim"], {"name": name}).fetchone()
        if row and row[0]:
            return name
    return None


def release(connection: psycopg.Connection, client_id: str) -> None:
    """Give back a name that this connection has taken."""
    connection.execute(_SQL["release"], {"name": client_id})


def holds(connection: psycopg.Connection, client_id: str) -> bool:
    """Tell whether this very connection holds the name; raises ``psycopg.OperationalError`` if it is broken."""
    row = connection.execute(_SQL["holds"], {"name": client_id}).fetchone()
    return bool(row and row[0])


def holder(connection: psycopg.Connection, client_id: str) -> str:
    """Say who has the name, as far as we may see it."""
    row = connection.execute(_SQL["holder"], {"name": client_id}).fetchone()
    return f"an intake at {row[0]}, since {row[1]:%Y-%m-%d %H:%M} UTC" if row else "another intake"


_SQL = queries("ingest", "sql/lease.sql")
