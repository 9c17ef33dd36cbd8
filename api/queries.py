"""Statements by name, each bound to one account and a time limit."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from psycopg import Connection
from psycopg.rows import DictRow, dict_row
from psycopg_pool import ConnectionPool

from api.settings import ApiSettings
from ingest.named_sql import queries

Pool = ConnectionPool[Connection[DictRow]]
Row = dict[str, Any]

WAIT_S = 3.0
"""Longest wait for a connection before the reader is told that the database is away [s]."""


def open_pool(settings: ApiSettings) -> Pool:
    """Return a closed pool whose connections only read, in UTC, each statement within the time limit."""
    options = (
        f"-c statement_timeout={settings.statement_limit_ms} -c timezone=UTC"
        " -c default_transaction_read_only=on -c jit=off"
        # A filter that is not used is null, and only a plan made for its value leaves it out.
        " -c plan_cache_mode=force_custom_plan"
    )
    return ConnectionPool(
        settings.database,
        min_size=1,
        max_size=settings.pool_size,
        timeout=WAIT_S,
        open=False,
        kwargs={
            "row_factory": dict_row,
            "autocommit": True,
            "options": options,
            "application_name": "halfsecond pages",
        },
        connection_class=Connection[DictRow],
    )


def rows(pool: Pool, name: str, account_id: int, /, **values: object) -> list[Row]:
    """Return the rows of statement ``file.name`` for one account.

    Raises
    ------
    psycopg.errors.QueryCanceled
        The statement took longer than the limit.
    """
    file, _, block = name.partition(".")
    statement = queries("api", f"sql/{file}.sql")[block]
    with pool.connection() as conn:
        return conn.execute(statement, {"account_id": account_id, **values}).fetchall()


def row(pool: Pool, name: str, account_id: int, /, **values: object) -> Row | None:
    """Return the first row of a statement, or None."""
    found = rows(pool, name, account_id, **values)
    return found[0] if found else None


@contextmanager
def writing(pool: Pool) -> Iterator[Connection[DictRow]]:
    """Yield a connection inside one transaction that may write."""
    with pool.connection() as conn, conn.transaction():
        conn.execute("set transaction read write")
        yield conn
