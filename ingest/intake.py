"""From messages to rows: whose device it is, what it says, and all of a batch in one transaction.

The same path serves the subscriber and the quarantine: what is put through again is judged as if it had just come.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import psycopg

from ingest import held as quarantine
from ingest.database import forget_days
from ingest.held import Held
from ingest.named_sql import queries
from ingest.sorting import SERIES, Mappings, Message, Sorted, hold, sort
from ingest.store import clocks, conflicts, sequence, verdicts, waves
from ingest.store.series import Row, in_order, merge, prepare
from ingest.wire import Kind

_FAILED: tuple[tuple[Kind, str, str], ...] = (("starts", "outcome", "locked"), ("events", "event", "lockout"))


@dataclass
class Tally:
    """What became of an account's records in a batch."""

    received: int = 0
    stored: int = 0
    doubles: int = 0
    quarantined: int = 0


Tallies = dict[int | None, Tally]
"""By account; None is what belongs to nobody known."""


def take_in(connection: psycopg.Connection, messages: Sequence[Message], mappings: Mappings = ()) -> Tallies:
    """Store a batch of messages in one transaction; what cannot be stored goes into quarantine with its reason.

    A message that the database itself refuses, for a cause that no check here foresaw, is found by halving the batch
    and goes into quarantine too, so that it never blocks the others. ``mappings`` say how to read what other loggers
    send under topics of their own.

    Raises
    ------
    psycopg.OperationalError
        The database is away: nothing of the batch is stored, or all of it.
    """
    try:
        return write(connection, sort(connection, messages, mappings))
    except psycopg.errors.CheckViolation:  # a partition that this connection remembers is gone
        forget_days(connection)
        return write(connection, sort(connection, messages, mappings))
    except (psycopg.DataError, psycopg.IntegrityError, psycopg.errors.ProgramLimitExceeded) as error:
        if len(messages) == 1:
            return write(connection, _refused(messages[0], error))
        half = len(messages) // 2
        return added(take_in(connection, messages[:half], mappings), take_in(connection, messages[half:], mappings))


def write(connection: psycopg.Connection, batch: Sorted) -> Tallies:
    """Write a sorted batch in one transaction and say what became of it, by account."""
    ready = [in_order(SERIES[kind], rows) for kind, rows in batch.rows.items() if rows]
    for one in ready:
        prepare(connection, one.series, {day for _, day, _ in one.touched.days})
    tallies = {account: Tally(received=count) for account, count in batch.received.items()}
    taken: list[Held] = []
    with connection.transaction():
        for one in ready:
            new = merge(connection, one)
            for account, count in one.touched.rows.items():
                tallies[account].stored += new.get(account, 0)
                tallies[account].doubles += count - new.get(account, 0)
            if new != one.touched.rows:
                taken += conflicts.held(connection, one.series, one.touched)
        if batch.statuses:
            newest = {status["device"]: status for status in batch.statuses}
            connection.cursor().executemany(_SQL["put_status"], [newest[device] for device in sorted(newest)])
        sequence.note(connection, batch.numbers)
        timed = [s for s in batch.statuses if s["at"] is not None and not s["retained"]]
        if timed or batch.differences or batch.leads:
            clocks.note(connection, timed, batch.differences, batch.leads)
        if batch.sampled:
            waves.keep(connection, batch.sampled, batch.rows["starts"])
        quarantine.put(connection, [*batch.held, *taken])
        verdicts.tell_failed(connection, _failed(batch.rows))
    for held in batch.held:
        tallies[held.account_id].quarantined += 1
    for held in taken:
        tallies[held.account_id].quarantined += 1
        tallies[held.account_id].doubles -= 1
    return tallies


def _failed(rows: dict[Kind, list[Row]]) -> set[tuple[int, int]]:
    """Return account and unit of locked starts, and of lockouts that a control tells of: they are looked at at once."""
    found = set()
    for kind, name, word in _FAILED:
        fields = SERIES[kind].fields
        place, width = fields.index(name), len(fields)
        found |= {(row[width], row[width + 1]) for row in rows[kind] if row[place] == word}
    return found


def added(first: Tallies, second: Tallies) -> Tallies:
    """Return the sum of two batches' tallies."""
    total = dict(first)
    for account, tally in second.items():
        before = total.get(account, Tally())
        total[account] = Tally(
            before.received + tally.received,
            before.stored + tally.stored,
            before.doubles + tally.doubles,
            before.quarantined + tally.quarantined,
        )
    return total


def _refused(message: Message, error: psycopg.Error) -> Sorted:
    """Return a batch that only puts this message into quarantine, for what the database said of it."""
    batch = Sorted()
    told = (error.diag.message_primary or str(error)).replace("\0", " ")
    hold(batch, message, None, None, "impossible_value", f"the database refuses it: {told}", message.payload)
    return batch


_SQL = queries("ingest", "sql/intake.sql")

__all__ = ["Mappings", "Message", "Sorted", "Tallies", "Tally", "added", "sort", "take_in", "write"]
