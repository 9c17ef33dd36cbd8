"""What the running service reads from the store and writes into it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Literal

import pandas as pd
import psycopg

from analytics.options import DAY_US
from analytics.report import EPOCH, Ranked, when
from analytics.tables import Tables
from analytics.verdict import encode
from ingest import store
from ingest.named_sql import queries

FORECAST_D = 15
PUT = 500
"""Verdicts of one transaction: who waits for the row of a unit does not wait for the whole fleet."""
_SQL = queries("analytics", "sql/exchange.sql")

Clock = Literal["wall", "data"]


def now(connection: psycopg.Connection, account_id: int, clock: Clock) -> int | None:
    """Return the present instant of an account, microseconds since 1970 UTC; None while nothing was heard."""
    row = connection.execute(_SQL["last_heard"], {"account_id": account_id}).fetchone()
    if row is None or row[0] is None:
        return None
    instant = row[0] if clock == "data" else datetime.now(UTC)
    return int((instant - EPOCH) // timedelta(microseconds=1))


def first_day(connection: psycopg.Connection, account_id: int) -> int | None:
    """Return the day of the first start of an account, days since 1970; None while there is none."""
    row = connection.execute(_SQL["first_start"], {"account_id": account_id}).fetchone()
    return None if row is None or row[0] is None else (row[0] - EPOCH).days


def read(
    connection: psycopg.Connection,
    account_id: int,
    units: pd.DataFrame,
    day: int | None,
    until: int | None = None,
    unit_ids: Iterable[int] | None = None,
) -> Tables:
    """Return the tables of an account from a day on.

    Parameters
    ----------
    units : the account's units, as they are read already
    day : the first, days since 1970; None: from the beginning
    until : up to and including this instant, microseconds since 1970 UTC; None: to the end
    unit_ids : only these; all of the account without it
    """
    since = None if day is None else when(day * DAY_US)
    issued = None if since is None else since - timedelta(days=FORECAST_D)
    end = None if until is None else when(until + 1)
    ids = None if unit_ids is None else list(unit_ids)
    read_by_unit: dict[str, Callable[..., pd.DataFrame]] = {
        "starts": store.read_starts,
        "rests": store.read_rests,
        "events": store.read_events,
        "visits": store.read_visits,
    }
    frames = {
        kind: function(connection, account_id, ids, since=since, until=end) for kind, function in read_by_unit.items()
    }
    sites = None if ids is None else [str(site) for site in units["site"].dropna().unique()]
    forecasts = store.read_forecasts(connection, account_id, sites, since=issued, until=end)
    return Tables(units=units, forecasts=forecasts, **frames)


def write(connection: psycopg.Connection, account_id: int, verdicts: Iterable[Ranked], instant: int) -> int:
    """Keep the verdicts of an instant, one a unit a day; return how many there were."""
    day = instant // DAY_US - (1 if instant % DAY_US == 0 else 0)
    ahead, count = iter(verdicts), 0
    while part := list(islice(ahead, PUT)):
        rows = [
            store.VerdictRow(v.verdict.unit, when(instant), v.verdict.standing, v.rank, encode(v.verdict)) for v in part
        ]
        names = [v.verdict.unit for v in part]
        with connection.transaction():
            store.put_verdicts(connection, account_id, rows)
            wanted = {"account_id": account_id, "day": when(day * DAY_US), "now": when(instant), "units": names}
            connection.execute(_SQL["thin"], wanted)
        count += len(part)
    return count


def forget_after(connection: psycopg.Connection, account_id: int, instant: int) -> None:
    """Drop verdicts of instants that an account's clock has not reached any more."""
    connection.execute(_SQL["forget_after"], {"account_id": account_id, "now": when(instant)})
