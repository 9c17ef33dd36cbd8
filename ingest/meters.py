"""What intake counts: for Prometheus as it happens, and by minute in a table for the pages."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import psycopg
from prometheus_client import CollectorRegistry, Counter, Gauge

from ingest.intake import Tallies, Tally, added
from ingest.named_sql import queries

EVERY_S = 1.0
"""How often the minute's row is written, apart from the batches: two intakes must not wait for each other's counts."""


_NOT_YET = "not reached yet"


@dataclass
class Meters:
    """Counters of one intake since it started, what is not yet in the table, and which part is away, and why."""

    registry: CollectorRegistry = field(default_factory=CollectorRegistry)
    waiting: Tallies = field(default_factory=dict)
    waiting_lag_s: float = 0.0
    written_at: float = field(default_factory=time.monotonic)
    batches: int = 0
    reached: bool = False
    away: dict[str, str] = field(default_factory=lambda: {"broker": _NOT_YET, "database": _NOT_YET})

    def __post_init__(self) -> None:
        name, kept = "halfsecond_intake_", self.registry
        self.messages = Counter(f"{name}messages", "Messages taken in", registry=kept)
        self.rows = Counter(f"{name}rows", "Rows stored", registry=kept)
        self.doubles = Counter(f"{name}doubles", "Rows that were there already", registry=kept)
        self.quarantined = Counter(f"{name}quarantined", "Items put into quarantine", registry=kept)
        self.lag_s = Gauge(f"{name}lag_seconds", "From receipt to commit, oldest of the last batch", registry=kept)
        self.unacked = Gauge(f"{name}unacknowledged", "Messages received and not yet acknowledged", registry=kept)
        self.up = Gauge(f"{name}up", "1 while the line to it stands, else 0", ["part"], registry=kept)
        for part in self.away:
            self.up.labels(part).set(0)


def is_there(meters: Meters, part: str) -> None:
    """Note that broker or database answers."""
    meters.away.pop(part, None)
    meters.up.labels(part).set(1)


def is_away(meters: Meters, part: str, why: str) -> None:
    """Note that broker or database does not answer."""
    meters.away[part] = why
    meters.up.labels(part).set(0)


def count(meters: Meters, messages: int, tallies: Tallies, lag_s: float) -> None:
    """Count a batch."""
    meters.batches += 1
    meters.messages.inc(messages)
    meters.rows.inc(sum(t.stored for t in tallies.values()))
    meters.doubles.inc(sum(t.doubles for t in tallies.values()))
    meters.quarantined.inc(sum(t.quarantined for t in tallies.values()))
    meters.lag_s.set(lag_s)
    meters.waiting = added(meters.waiting, tallies)
    meters.waiting_lag_s = max(meters.waiting_lag_s, lag_s)


def write_minute(meters: Meters, connection: psycopg.Connection, *, at_once: bool = False) -> None:
    """Add what was counted to the row of this minute, at most once a second unless at once."""
    now = time.monotonic()
    if not meters.waiting or (now - meters.written_at < EVERY_S and not at_once):
        return
    accounts = sorted(meters.waiting.items(), key=lambda entry: (entry[0] is not None, entry[0] or 0))
    connection.cursor().executemany(
        _SQL["count_minute"], [_row(account, tally, meters.waiting_lag_s) for account, tally in accounts]
    )
    meters.waiting, meters.waiting_lag_s, meters.written_at = {}, 0.0, now


def _row(account_id: int | None, tally: Tally, lag_s: float) -> dict[str, float | None]:
    return {
        "account_id": account_id,
        "received": tally.received,
        "stored": tally.stored,
        "doubles": tally.doubles,
        "quarantined": tally.quarantined,
        "lag_s": lag_s,
    }


_SQL = queries("ingest", "sql/intake.sql")
