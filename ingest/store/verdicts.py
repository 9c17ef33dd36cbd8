"""Days that changed and wait for the watch, and the verdicts that the watch makes of them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import NamedTuple

import psycopg

from ingest.errors import BadInputError
from ingest.named_sql import queries
from ingest.store.jsonb import as_jsonb

DIRTY_CHANNEL = "halfsecond_dirty"
"""Channel on which a commit of new rows is told, for ``LISTEN``."""
FAILED_CHANNEL = "halfsecond_failed"
"""Channel on which intake tells of units that have just failed to start: account, then units, as numbers."""
CALLS_CHANNEL = "halfsecond_calls"
"""Channel on which the number of an account is told whose call list has changed, for ``LISTEN``."""

TOLD = 300
"""Units told of in one notification, whose payload must stay below 8,000 bytes."""

Day = tuple[int, int, date]
"""Account, unit and day (UTC)."""


class VerdictRow(NamedTuple):
    """A verdict to keep: ``body`` is the whole object as JSON, ``rank`` what the call list sorts by, largest first."""

    unit: str
    as_of: datetime
    standing: str
    rank: float
    body: bytes


def mark_dirty(connection: psycopg.Connection, account_id: int, ids: Iterable[int], days: Iterable[date]) -> None:
    """Mark days of units as changed: each of the units, each of the days."""
    wanted = {"account_id": account_id, "unit_ids": list(ids), "days": list(days)}
    with connection.transaction():
        connection.execute(_SQL["mark_dirty"], wanted)
        connection.execute(_SQL["wake"])


def tell_failed(connection: psycopg.Connection, units: Iterable[tuple[int, int]]) -> None:
    """Tell of units (account, unit) that have failed to start, once the transaction is committed."""
    by_account: dict[int, list[int]] = {}
    for account_id, unit_id in sorted(set(units)):
        by_account.setdefault(account_id, []).append(unit_id)
    payloads = [
        " ".join(map(str, (account_id, *ids[first : first + TOLD])))
        for account_id, ids in by_account.items()
        for first in range(0, len(ids), TOLD)
    ]
    if payloads:
        connection.execute(_SQL["tell_failed"], {"payloads": payloads})


def take_dirty(connection: psycopg.Connection, limit: int) -> list[Day]:
    """Take up to so many changed days, the longest waiting first; no other watch gets them meanwhile.

    Days taken come back after 10 minutes unless :func:`done_dirty` is called with them.
    """
    return [(a, u, d) for a, u, d in connection.execute(_SQL["take_dirty"], (limit,))]


def done_dirty(connection: psycopg.Connection, days: Iterable[Day]) -> None:
    """Say that these taken days are dealt with; one that changed again since it was taken stays marked."""
    held = list(days)
    wanted = {"unit_ids": [unit_id for _, unit_id, _ in held], "days": [day for *_, day in held]}
    connection.execute(_SQL["done_dirty"], wanted)


def put_verdicts(connection: psycopg.Connection, account_id: int, rows: Iterable[VerdictRow]) -> int:
    """Keep verdicts, and the newest of each unit as its standing; return how many there were.

    A verdict of the same unit and instant is replaced; a standing is never replaced by an older one.

    Raises
    ------
    BadInputError
        A verdict is about a unit that the account does not have.
    """
    nested = connection.info.transaction_status != psycopg.pq.TransactionStatus.IDLE
    count = 0
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(_SQL["stage"])
        if nested:  # the staging table is emptied by a commit only
            cursor.execute(_SQL["clear_stage"])
        with cursor.copy(_SQL["copy"]) as copy:
            copy.set_types(["text", "timestamptz", "text", "float8", "jsonb"])
            for row in rows:
                copy.write_row((row.unit, row.as_of, row.standing, row.rank, as_jsonb(row.body)))
                count += 1
        stranger = cursor.execute(_SQL["strangers"], {"account_id": account_id}).fetchone()
        if stranger:
            raise BadInputError(f"verdict: unit: the account has no unit {stranger[0]!r}; load its units first")
        cursor.execute(_SQL["put_verdicts"], {"account_id": account_id})
        cursor.execute(_SQL["put_standings"], {"account_id": account_id})
        cursor.execute(_SQL["tell_calls"], {"account_id": account_id})
    return count


_SQL = queries("ingest", "sql/verdicts.sql")
