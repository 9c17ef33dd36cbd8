"""Which instants a record may carry: a logger whose clock has stopped or run away must not reach the tables."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)


def allowed(received_at: datetime) -> tuple[datetime, datetime]:
    """Return the first and the last instant that a record received at this time may carry, both inclusive."""
    return EARLIEST, received_at + AHEAD
