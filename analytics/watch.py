"""The running service: days of units that changed become verdicts, by the same core as replay.

One verdict a unit a day is kept, that of the midnight (UTC) which ends it, and one of the present instant, which is
also the unit's standing. Units that have just failed to start do not wait for a pass: see :mod:`analytics.prompt`.
"""

from __future__ import annotations

import ctypes
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import pandas as pd
import psycopg

from analytics import core, exchange, prompt, report
from analytics.checkpoint import Checkpoints
from analytics.chosen import options_of
from analytics.exchange import Clock
from analytics.options import DAY_US, DEFAULT, HOUR_US, Options
from analytics.prompt import Basis, Beside
from analytics.report import EPOCH
from analytics.state import begin
from analytics.tables import fleet
from ingest import store
from ingest.database import connect
from ingest.errors import HalfsecondError
from ingest.named_sql import queries
from ingest.store.verdicts import Day

TAKE = 20_000
"""Changed days taken in one statement, which intake may have to wait for."""
MOST = 200_000
"""Changed days taken for one pass: the more, the seldomer a long history just loaded is worked through anew."""
HISTORY_D = 400
"""Past days of which a daily verdict is written when a history is worked through."""
STARTS = 250_000
"""About so many starts are read at once, a day of all units at least."""
A_DAY = 24
"""Starts of a unit on a common day, an assumption that only the size of what is read at once depends on."""
WAIT_S = (1.0, 30.0)
"""First and longest wait while the database is away."""
_SQL = queries("analytics", "sql/watch.sql")
_TRIM = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None


@dataclass
class Followed:
    """What the service remembers of an account between two passes; all of it can be made anew from the store."""

    checkpoints: Checkpoints = field(default_factory=Checkpoints)
    units: pd.DataFrame | None = None
    options: Options = DEFAULT
    hour: int = -1
    basis: Basis | None = None


def run(database: str, stop: threading.Event, clock: Clock = "wall", every_s: float = 5.0) -> int:
    """Follow the store until ``stop`` is set; return 0.

    Parameters
    ----------
    database : conninfo of the store
    stop : ends the service within a second
    clock : ``wall``, or ``data`` for a recorded history: now is then the newest start of the account
    every_s : least time between two passes, seconds
    """
    wait = WAIT_S[0]
    while not stop.is_set():
        try:
            with connect(database) as connection, prompt.running(database, clock) as beside:
                wait = WAIT_S[0]
                _follow(connection, stop, clock, every_s, beside)
        except (HalfsecondError, psycopg.OperationalError, psycopg.InterfaceError) as error:
            if stop.is_set():
                break
            text = str(error).strip().splitlines()[0]
            print(f"watch: the database is away, trying again in {wait:.0f} s: {text}", file=sys.stderr, flush=True)
            stop.wait(wait)
            wait = min(2 * wait, WAIT_S[1])
    return 0


def _follow(
    connection: psycopg.Connection, stop: threading.Event, clock: Clock, every_s: float, beside: Beside
) -> None:
    """Pass after pass over one connection; what was remembered before it is not trusted."""
    followed: dict[int, Followed] = {}
    while not stop.is_set():
        assert not beside.ended.is_set(), "the look at failed starts has ended"
        began = time.monotonic()
        beside.changed.clear()
        taken = _take(connection)
        changed: dict[int, int] = {}
        for account_id, _, day in taken:
            number = (day - EPOCH.date()).days
            changed[account_id] = min(changed.get(account_id, number), number)
        accounts = [row[0] for row in connection.execute(_SQL["accounts"])]
        for account_id in sorted({*accounts, *changed}):
            if stop.is_set():
                return
            one = followed.setdefault(account_id, Followed())
            refresh(connection, account_id, one, changed.get(account_id), clock, stop)
            if one.basis is not None:
                beside.bases[account_id] = one.basis
        for start in range(0, len(taken), TAKE):
            store.done_dirty(connection, taken[start : start + TAKE])
        _give_back()
        if len(taken) < MOST:
            # A pass that took long is followed by a rest as long, so that the store has time for others.
            _rest(stop, max(every_s, time.monotonic() - began), beside.changed)


def _take(connection: psycopg.Connection) -> list[Day]:
    """Take the days that have changed, as many as one pass may have."""
    taken: list[Day] = []
    while len(taken) < MOST:
        some = store.take_dirty(connection, TAKE)
        taken += some
        if len(some) < TAKE:
            break
    return taken


def _give_back() -> None:
    """Let the system have the memory that a pass has left free between the states that are kept.

    The C library keeps it otherwise; only the GNU one can be asked.
    """
    if _TRIM is not None:
        _TRIM(0)


def _rest(stop: threading.Event, least_s: float, changed: threading.Event) -> None:
    """Wait at least so long, then until something has changed or a minute has passed."""
    until = time.monotonic() + least_s + 60.0
    stop.wait(least_s)
    while not stop.is_set() and time.monotonic() < until and not changed.wait(0.5):
        pass


def _options(connection: psycopg.Connection, account_id: int) -> Options:
    """Return the options that an account has set."""
    row = connection.execute(_SQL["settings"], {"account_id": account_id}).fetchone()
    return options_of(row[0]) if row else DEFAULT


def refresh(
    connection: psycopg.Connection,
    account_id: int,
    followed: Followed,
    changed_day: int | None,
    clock: Clock,
    stop: threading.Event | None = None,
    options: Options | None = None,
) -> int:
    """Bring the verdicts of an account up to the present; return how many were written.

    Parameters
    ----------
    changed_day : first day with changes, days since 1970; None where nothing changed, and then nothing is done unless
        a new hour has begun
    stop : ends the work early; what was not finished is done again by the next pass
    options : in place of those that the account has set; where they have changed, all is judged anew
    """
    instant = exchange.now(connection, account_id, clock)
    options = _options(connection, account_id) if options is None else options
    same = options == followed.options
    if instant is None or (changed_day is None and same and followed.hour == instant // HOUR_US):
        return 0
    units = store.read_units(connection, account_id)
    if followed.units is None or not same or not units.equals(followed.units):
        followed.checkpoints, followed.units, followed.options = Checkpoints(), units, options
        changed_day = -(10**6)
    today = instant // DAY_US
    state = followed.checkpoints.before(min(today if changed_day is None else changed_day, today))
    first = exchange.first_day(connection, account_id) if state is None else state.day + 1
    if first is None:
        return 0
    written = 0
    names: tuple[str, ...] = ()
    for day, moments in _spans(min(first, today), instant, len(units)):
        # What was done before the first start is asked for with it.
        since = None if state is None else day
        whole = fleet(exchange.read(connection, account_id, units, since, moments[-1]))
        state, names = state or begin(whole, options), whole.names
        for moment, at_moment in core.run(whole, moments, options, state):
            if stop is not None and stop.is_set():
                return written
            if moment < (today - HISTORY_D) * DAY_US:
                continue
            if at_moment.day == moment // DAY_US - 1:
                followed.checkpoints.keep(at_moment, today)
            written += exchange.write(connection, account_id, report.verdicts(at_moment, whole, moment), moment)
    # Not after the instant of this pass: a unit that failed meanwhile has a newer verdict already.
    reached = exchange.now(connection, account_id, clock)
    exchange.forget_after(connection, account_id, max(instant, reached or 0))
    followed.hour = instant // HOUR_US
    rows = {name: row for row, name in enumerate(names)}
    followed.basis = Basis(followed.checkpoints.newest, rows, units, options)
    return written


def _spans(first: int, instant: int, units: int) -> Iterator[tuple[int, list[int]]]:
    """Yield the days at which the spans begin that a history is read in, and the instants to speak for in each.

    These are the midnights after ``first``, by which a day is taken in, and at last ``instant``. However long the
    history, memory holds the starts of one span.
    """
    days = max(1, STARTS // (A_DAY * max(1, units)))
    for day in range(first, instant // DAY_US + 1, days):
        midnights = [each * DAY_US for each in range(day + 1, day + days + 1)]
        if midnights[-1] >= instant:
            yield day, [*(midnight for midnight in midnights if midnight < instant), instant]
            return
        yield day, midnights
