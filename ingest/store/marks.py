"""How far the load of a file has come: broken off, it goes on after the last batch that was stored."""

from __future__ import annotations

import psycopg

from ingest.named_sql import queries


def stored(connection: psycopg.Connection, account_id: int, kind: str, file: str) -> int:
    """Return how many batches of a file (by its digest) an earlier load stored before it was broken off."""
    row = connection.execute(_SQL["batches"], _key(account_id, kind, file)).fetchone()
    return int(row[0]) if row else 0


def mark(connection: psycopg.Connection, account_id: int, kind: str, file: str, batches: int) -> None:
    """Note that so many batches of a file are stored."""
    connection.execute(_SQL["mark"], _key(account_id, kind, file) | {"batches": batches})


def unmark(connection: psycopg.Connection, account_id: int, kind: str, file: str) -> None:
    """Note that a file is through: loaded again it is read from its beginning."""
    connection.execute(_SQL["unmark"], _key(account_id, kind, file))


def _key(account_id: int, kind: str, file: str) -> dict[str, int | str]:
    return {"account_id": account_id, "kind": kind, "file": file}


_SQL = queries("ingest", "sql/marks.sql")
