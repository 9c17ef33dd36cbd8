"""What one look at an account goes by, and the statements that it asks: each takes the account."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from psycopg import Connection
from psycopg.rows import DictRow

from api.access import Reader
from api.queries import Row
from ingest.named_sql import queries

Conn = Connection[DictRow]
_SQL = queries("api", "sql/notices.sql")


@dataclass(frozen=True)
class Look:
    """What one look at an account goes by.

    Parameters
    ----------
    reader : the account; its `now` is by the account's clock
    wall : the machine's clock
    live : whether the account goes by the machine's clock
    link : what the addresses of pages begin with; None for none
    """

    reader: Reader
    wall: datetime
    live: bool
    link: str | None = None

    @property
    def now(self) -> datetime:
        """The present instant by the account's clock."""
        return self.reader.now


def ask(conn: Conn, by: Look, name: str, **values: object) -> list[Row]:
    """Return the rows of a statement."""
    cursor = conn.execute(_SQL[name], {"account_id": by.reader.account_id, **values})
    return cursor.fetchall() if cursor.description else []


def one(conn: Conn, by: Look, name: str, **values: object) -> Row:
    """Return the only row of a statement."""
    return ask(conn, by, name, **values)[0]
