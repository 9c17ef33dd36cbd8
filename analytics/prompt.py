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
from dataclasses import dataclass

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


Bases = dict[int, Basis]
"""By account. The watch puts a new one in place of the old after each pass; what is in one is never changed."""


@contextlib.contextmanager
def running(database: str, bases: Bases, clock: Clock) -> Iterator[threading.Thread]:
    """Judge what intake tells of, in a thread of its own, while the block runs; yield the thread.

    Parameters
    ----------
    database : conninfo of the store
    bases : filled by the watch
    clock : as for the watch
    """
    stop = threading.Event()
    thread = threading.Thread(target=_run, args=(database, bases, clock, stop), name="prompt", daemon=True)
    thread.start()
    try:
        yield thread
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
    part = fleet(exchange.read(connection, account_id, units, state, named))
    if not len(part.starts.at) and not len(part.lockouts[0]):
        return 0
    asked = np.array([part.names.index(name) for name in sorted(wanted)])
    count = 0
    for _, at_moment in core.run(part, [instant], basis.options, state):
        verdicts = list(report.verdicts(at_moment, part, instant, asked))
        count += exchange.write(connection, account_id, verdicts, instant)
    return count


def _run(database: str, bases: Bases, clock: Clock, stop: threading.Event) -> None:
    while not stop.is_set():
        try:
            with connect(database) as connection:
                connection.execute(f"listen {store.FAILED_CHANNEL}")
                while not stop.is_set():
                    _look(connection, bases, clock)
        except (HalfsecondError, psycopg.Error) as error:
            if not stop.is_set():
                text = " ".join(str(error).split())
                print(f"watch: failed starts wait for the next pass meanwhile: {text}", file=sys.stderr, flush=True)
            stop.wait(WAIT_S)


def _look(connection: psycopg.Connection, bases: Bases, clock: Clock) -> None:
    """Wait for something to be told, half a second at most, and judge the units of all that was told."""
    told = [each.payload for each in connection.notifies(timeout=0.5, stop_after=1)]
    began = time.monotonic()
    by_account: dict[int, set[int]] = defaultdict(set)
    for payload in told:
        account_id, *ids = map(int, payload.split())
        by_account[account_id].update(ids)
    for account_id, some in by_account.items():
        basis = bases.get(account_id)
        ids = sorted(some)
        for first in range(0, len(ids) if basis else 0, MOST):
            assert basis is not None
            judge(connection, account_id, basis, ids[first : first + MOST], clock)
    if told:
        time.sleep(max(0.0, LEAST_S - (time.monotonic() - began)))
