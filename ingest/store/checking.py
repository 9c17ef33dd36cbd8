"""Whether what the tables hold hangs together, and how much it is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import psycopg
from psycopg.rows import dict_row

from ingest.database import newest_version
from ingest.held import MOST_BYTES, MOST_ITEMS
from ingest.named_sql import queries

AHEAD_DAYS = 3
"""So many days must have their partitions already; upkeep makes a week."""


class Finding(NamedTuple):
    """One thing that was looked at: whether it is as it should be, what was found, and what to do if it is not."""

    check: str
    ok: bool
    found: str
    remedy: str = ""


def sizes(connection: psycopg.Connection) -> list[dict[str, Any]]:
    """Return tables by size: ``table parts packed rows bytes``; rows are the server's estimate."""
    with connection.cursor(row_factory=dict_row) as cursor:
        plain = {row["table"]: row | {"packed": 0} for row in cursor.execute(_SQL["sizes"]).fetchall()}
        if server(connection)["timescaledb"]:
            plain |= {row["table"]: row for row in cursor.execute(_SQL["hypertable_sizes"]).fetchall()}
    rows = sorted(plain.values(), key=lambda row: -row["bytes"])
    return [{name: row[name] for name in ("table", "parts", "packed", "rows", "bytes")} for row in rows]


def server(connection: psycopg.Connection) -> dict[str, Any]:
    """Return the versions of the server and of TimescaleDB (None without it), and the size of the database."""
    with connection.cursor(row_factory=dict_row) as cursor:
        row = cursor.execute(_SQL["server"]).fetchone()
    assert row is not None
    return row


def check(
    connection: psycopg.Connection, days: int = 30, progress: Callable[[int], object] | None = None
) -> list[Finding]:
    """Look at what must hold between the tables.

    Parameters
    ----------
    days
        Starts of so many last days are looked at; all tables beside them whole.
    progress
        Called with 1 after each check.
    """
    since = datetime.now(UTC) - timedelta(days=days)
    findings: list[Finding] = []

    def note(finding: Finding) -> None:
        findings.append(finding)
        if progress:
            progress(1)

    version, newest = _one(connection, "version")[0], newest_version()
    note(Finding("schema", version == newest, f"version {version}", "run 'halfsecond migrate'"))
    if not server(connection)["timescaledb"]:
        for table in ("start", "rest"):
            lacking = connection.execute(_SQL["no_partition"], {"table": table, "days": AHEAD_DAYS}).fetchall()
            found = f"{len(lacking)} of the next {AHEAD_DAYS + 1} days have none"
            note(Finding(f"partitions of {table}", not lacking, found, "run 'halfsecond store tend', or the watch"))
    for name, text, remedy in _COUNTS:
        count = _one(connection, name, {"since": since})[0]
        note(Finding(text, not count, f"{count:,}", remedy))
    count, minutes = _one(connection, "waiting")
    found = f"{count:,} days, the oldest for {minutes:,} min" if count else "none"
    note(Finding("days waiting for a verdict over an hour", not count, found, "see that 'halfsecond serve watch' runs"))
    items, size = _one(connection, "held")
    room = items < MOST_ITEMS * 0.8 and size < MOST_BYTES * 0.8
    note(Finding("quarantine", room, f"{items:,} items, {size:,} bytes", "see 'halfsecond quarantine list'"))
    missing, devices = _one(connection, "missing")
    found = f"{missing:,} records of {devices:,} devices" if missing else "none"
    note(Finding("never received", not missing, found, "see 'halfsecond store gaps'"))
    clocks = _one(connection, "clocks")[0]
    note(Finding("clocks that are off", not clocks, f"{clocks:,} devices", "set them; see the intake page"))
    return findings


CHECKS = 11
"""How many at most, for a progress bar."""
_COUNTS = (
    ("strangers", "starts under an account that is not their unit's", "restore from a backup: this must not happen"),
    ("unheard", "units whose newest start is not noted", "restore from a backup: this must not happen"),
    ("unstood", "units whose newest verdict is not on the call list", "see that 'halfsecond serve watch' runs"),
    ("invalid", "indexes that are not usable", "reindex them: PostgreSQL documentation, REINDEX"),
)


def _one(connection: psycopg.Connection, name: str, wanted: dict[str, object] | None = None) -> tuple[Any, ...]:
    row = connection.execute(_SQL[name], wanted).fetchone()
    assert row is not None
    return row


_SQL = queries("ingest", "sql/store.sql")
