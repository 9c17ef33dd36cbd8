"""Units that have just failed to start are judged at once, without waiting for the pass over the whole fleet.

Intake tells of them as it commits. Each is judged by the same core from the state that the last pass has left, on its
own starts since; what the rest of the fleet has done meanwhile is not asked, and the next pass judges all anew. A unit
told of while there is no such state yet, or while nobody listens, is left to that pass.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import psycopg

from analytics import core, exchange, report, subset
from analytics.exchange import Clock
from analytics.options import Options
from analytics.state import State
from analytics.tables import fleet
from ingest import store
from ingest.database import connect
from ingest.errors import HalfsecondError

WAIT_S = 1.0
"""Between two tries while the database is away."""
LEAST_S = 0.1
"""From one look to the next, so that what fails together is judged together."""
MOST = 200
"""Units judged in one go."""


@dataclass(frozen=True)
class Basis:
    """What a pass over an account has left: the state at the end of a day and where units stand in it."""

    state: State | None  # None before the first whole day
    rows: Mapping[str, int]
    units: pd.DataFrame
    options: Options


@dataclass(frozen=True)
class Beside:
    """What the watch shares with the thread that looks at failed starts.

    The watch puts a new basis of an account in place of the old after each pass; what is in one is never changed.
    ``changed`` is set whenever rows have come.
    """

    bases: dict[int, Basis] = field(default_factory=dict)
    changed: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)


@contextlib.contextmanager
def running(database: str, clock: Clock) -> Iterator[Beside]:
    """Judge what intake tells of, in a thread of its own, while the block runs.

    Parameters
    ----------
    database : conninfo of the store
    clock : as for the watch
    """
    beside, stop = Beside(), threading.Event()
    thread = threading.Thread(target=_run, args=(database, beside, clock, stop), name="prompt", daemon=True)
    thread.start()
    try:
        yield beside
    finally:
        stop.set()
        thread.join(10)


def judge(connection: psycopg.Connection, account_id: int, basis: Basis, unit_ids: Iterable[int], clock: Clock) -> int:
    """Write the present verdicts of some units of an account; return how many there were.

    Parameters
    ----------
    basis : what the last pass has left
    unit_ids : those that it does not know are left out
    """
    instant = exchange.now(connection, account_id, clock)
    named = {n: name for n, name in store.unit_names(connection, account_id, unit_ids).items() if name in basis.rows}
    if instant is None or not named:
        return 0
    wanted = list(named.values())
    units, state = basis.units, basis.state
    if state is None or len(basis.rows) >= subset.LEAST:
        units = units[units["unit"].isin(wanted)]
    if state is not None:
        rows = [basis.rows[name] for name in wanted] if len(units) < len(basis.rows) else basis.rows.values()
        state = subset.some(state, np.array(sorted(rows)))
    day = None if state is None else state.day + 1
    part = fleet(exchange.read(connection, account_id, units, day, unit_ids=named))
    if not len(part.starts.at) and not len(part.lockouts[0]):
        return 0
    asked = np.array([part.names.index(name) for name in sorted(wanted)])
    count = 0
    for _, at_moment in core.run(part, [instant], basis.options, state):
        verdicts = list(report.verdicts(at_moment, part, instant, asked))
        count += exchange.write(connection, account_id, verdicts, instant)
    return count


def _run(database: str, beside: Beside, clock: Clock, stop: threading.Event) -> None:
    try:
        while not stop.is_set():
            try:
                # What is told while a connection is at a query may lie there until more is told: one only listens.
                with connect(database) as ears, connect(database) as connection:
                    _follow(ears, connection, beside, clock, stop)
            except (HalfsecondError, psycopg.Error) as error:
                if not stop.is_set():
                    text = " ".join(str(error).split())
                    print(f"watch: failed starts wait for the next pass meanwhile: {text}", file=sys.stderr, flush=True)
                stop.wait(WAIT_S)
    finally:
        beside.ended.set()


def _follow(
    ears: psycopg.Connection, connection: psycopg.Connection, beside: Beside, clock: Clock, stop: threading.Event
) -> None:
    for channel in (store.FAILED_CHANNEL, store.DIRTY_CHANNEL):
        ears.execute(f"listen {channel}")
    beside.changed.set()
    while not stop.is_set():
        began = time.monotonic()
        told = list(ears.notifies(timeout=0.5, stop_after=1))
        if told:
            beside.changed.set()
        if _look(connection, [each.payload for each in told if each.payload], beside.bases, clock):
            stop.wait(max(0.0, LEAST_S - (time.monotonic() - began)))


def _look(connection: psycopg.Connection, told: Iterable[str], bases: Mapping[int, Basis], clock: Clock) -> int:
    """Judge the units that were told of, ``account unit unit ...``; return how many verdicts were written."""
    by_account: dict[int, set[int]] = defaultdict(set)
    for payload in told:
        account_id, *ids = map(int, payload.split())
        by_account[account_id].update(ids)
    written = 0
    for account_id, some in by_account.items():
        basis, ids = bases.get(account_id), sorted(some)
        if basis is not None:
            for first in range(0, len(ids), MOST):
                written += judge(connection, account_id, basis, ids[first : first + MOST], clock)
    return written
