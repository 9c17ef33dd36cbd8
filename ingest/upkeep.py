"""Looking after the tables while the programs run: partitions made ahead, old days dropped, older ones packed.

The same work on both engines, by this program and not by the server's own jobs. Plain PostgreSQL: daily partitions are
made a week ahead and dropped whole; nothing is packed, since it has no columnstore. TimescaleDB: chunks make
themselves, are dropped whole, and go into the columnstore after a fortnight where the server's licence has one; rows
that come late are taken into packed chunks too.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import psycopg
from psycopg import sql

from ingest import held
from ingest.database import connect, ensure_partitions, forget_days
from ingest.errors import HalfsecondError
from ingest.named_sql import queries

SERIES = ("start", "rest")
AHEAD_DAYS = 7
PACK_AFTER_DAYS = 14
MINUTES_DAYS = 400
"""How long intake's counts by minute, marks of loads that were never resumed, and released quarantine are kept."""
EVERY_S = 3600.0
CHUNK = 10_000

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Tended:
    """What was done: days or chunks dropped and packed, rows deleted, and tables that were in use and must wait."""

    dropped: int = 0
    packed: int = 0
    deleted: int = 0
    waiting: int = 0


def tend(connection: psycopg.Connection, keep_days: int | None = None, now: datetime | None = None) -> Tended | None:
    """Look after the tables once.

    Parameters
    ----------
    connection
        In autocommit, outside a transaction.
    keep_days
        Starts, waves, rests, events, verdicts and forecasts older than so many whole days are dropped; None keeps all.
        Units, visits and people are never dropped.
    now
        The present unless given.

    Returns
    -------
    Tended or None
        None if another session is at it.
    """
    now = now or datetime.now(UTC)
    if not _truth(connection, "alone"):
        return None
    try:
        today = now.date()
        for table in SERIES:
            ensure_partitions(connection, table, today - timedelta(days=1), today + timedelta(days=AHEAD_DAYS))
        dropped = packed = deleted = waiting = 0
        cutoff = None if keep_days is None else datetime(now.year, now.month, now.day, tzinfo=UTC)
        if cutoff is not None and keep_days is not None:
            cutoff -= timedelta(days=keep_days)
            for table in SERIES:
                some, left = _drop(connection, table, cutoff)
                dropped, waiting = dropped + some, waiting + left
            deleted += sum(
                _delete(connection, n, cutoff) for n in ("event", "wave", "verdict", "forecast", "dirty_day")
            )
        for table in SERIES:
            packed += _pack(connection, table, now - timedelta(days=PACK_AFTER_DAYS))
        old = now - timedelta(days=MINUTES_DAYS)
        deleted += sum(_delete(connection, name, old) for name in ("intake_minute", "load_mark", "quarantine"))
        deleted += held.trim(connection)
        return Tended(dropped, packed, deleted, waiting)
    finally:
        connection.execute(_SQL["done"])


@contextmanager
def running(conninfo: str, keep_days: int | None = None, every_s: float = EVERY_S) -> Iterator[None]:
    """Look after the tables at once and every hour, in a thread of its own, while the block runs."""
    stop = threading.Event()
    thread = threading.Thread(target=_run, args=(conninfo, keep_days, every_s, stop), name="upkeep", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(10)


def _run(conninfo: str, keep_days: int | None, every_s: float, stop: threading.Event) -> None:
    while True:
        try:
            with connect(conninfo) as connection:
                done = tend(connection, keep_days)
            if done and (done.dropped or done.packed or done.deleted):
                log.info("upkeep: %d days dropped, %d packed, %d rows deleted", done.dropped, done.packed, done.deleted)
            if done and done.waiting:
                log.warning("upkeep: %d old days are in use and stay for now", done.waiting)
        except (psycopg.Error, HalfsecondError) as error:
            log.warning("upkeep: %s; tried again in an hour", " ".join(str(error).split()))
        if stop.wait(every_s):
            return


def _drop(connection: psycopg.Connection, table: str, before: datetime) -> tuple[int, int]:
    """Drop whole days before an instant; return how many, and how many were in use and stay."""
    if _truth(connection, "is_hypertable", (table,)):
        row = connection.execute(_SQL["drop_chunks"], {"table": table, "before": before}).fetchone()
        return (int(row[0]) if row else 0), 0
    dropped = waiting = 0
    old = connection.execute(_SQL["old_partitions"], {"table": table, "before": before.date()}).fetchall()
    for name, _ in old:
        try:
            with connection.transaction():
                connection.execute(_SQL["patience"])
                connection.execute(sql.SQL(_SQL["drop_partition"]).format(partition=sql.Identifier(name)))
            dropped += 1
        except psycopg.errors.LockNotAvailable:
            waiting += 1
    if dropped:
        forget_days(connection)
    return dropped, waiting


def _pack(connection: psycopg.Connection, table: str, before: datetime) -> int:
    """Put chunks that end before an instant into the columnstore, where there is one; return how many."""
    if not _truth(connection, "is_hypertable", (table,)) or not _truth(connection, "may_pack"):
        return 0
    if not _truth(connection, "columnstore_enabled", (table,)):
        connection.execute(sql.SQL(_SQL["enable_columnstore"]).format(table=sql.Identifier(table)))
    chunks = connection.execute(_SQL["unpacked"], {"table": table, "before": before}).fetchall()
    for (chunk,) in chunks:
        connection.execute(_SQL["pack"], (chunk,))
    return len(chunks)


def _delete(connection: psycopg.Connection, table: str, before: datetime) -> int:
    """Delete a table's old rows some thousand at a time, so that nobody waits long; return how many."""
    deleted = 0
    while count := connection.execute(_SQL[f"delete_{table}"], {"before": before, "limit": CHUNK}).rowcount:
        deleted += count
    return deleted


def _truth(connection: psycopg.Connection, name: str, wanted: tuple[object, ...] = ()) -> bool:
    row = connection.execute(_SQL[name], wanted or None).fetchone()
    return bool(row and row[0])


_SQL = queries("ingest", "sql/upkeep.sql")
