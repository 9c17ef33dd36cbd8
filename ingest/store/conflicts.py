"""Records that came under a key that is taken, with other content than what stands there: the first one stands.

A record that comes again is the same to the last figure, and falls on its key without a word. One that says something
else under the same unit, time and number is no redelivery: a logger uses a number twice, or corrects what it sent, or
counts nothing and has started twice at one instant. It cannot be stored, and goes where somebody sees it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import msgspec
import psycopg
from psycopg import sql

from ingest.decode import Reason
from ingest.held import Held
from ingest.named_sql import queries
from ingest.store.series import Series, Touched
from ingest.wire import TOPIC_ROOT

REASON: Reason = "key_taken"
MOST_NAMED = 3
"""Fields that a line names; what else differs it counts."""


def held(connection: psycopg.Connection, series: Series, touched: Touched) -> list[Held]:
    """Return those of the rows that were just merged whose key stands with other content, as items of quarantine.

    To be called in the transaction of :func:`ingest.store.series.merge`, where that found rows that were there already:
    then they stand in the staging table too.

    Parameters
    ----------
    series, touched
        Of what was merged.

    Returns
    -------
    list of Held
        Each with the record as it was read: its fields by their names on the wire, null ones left out.
    """
    table, days = series.table, [day for _, day, _ in touched.days]
    content = [name for name in series.fields if name not in {"seq", "at"}] + ["extra"]
    query = sql.SQL(_SQL["differing"]).format(
        table=sql.Identifier(table),
        stage=sql.Identifier(f"{table}_stage"),
        came=sql.SQL(", ").join(sql.Identifier("came", name) for name in content),
        stands=sql.SQL(", ").join(sql.Identifier("stands", name) for name in content),
    )
    wanted = {"since": min(days), "until": max(days) + timedelta(days=1)}
    return [
        Held(
            account_id,
            device,
            f"{TOPIC_ROOT}/{device or unit}/{table}s",
            msgspec.json.encode(_record(came)),
            REASON,
            _told(_record(came), _record(stands)),
            received_at,
        )
        for account_id, unit, device, received_at, came, stands in connection.execute(query, wanted)
    ]


def _record(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as a record of the wire."""
    fields = {name: value for name, value in row.items() if value is not None and name != "extra"}
    return (row["extra"] or {}) | fields


def _told(came: Mapping[str, Any], stands: Mapping[str, Any]) -> str:
    """Return in one line how two records of one key differ."""
    names = [name for name in {**came, **stands} if came.get(name) != stands.get(name)]
    told = [
        f"{name} came as {_short(came.get(name))}, {_short(stands.get(name))} stands" for name in names[:MOST_NAMED]
    ]
    more = [f"{len(names) - MOST_NAMED} more differ"] if len(names) > MOST_NAMED else []
    return f"seq: {came['seq']} at {came['at']} is taken; {'; '.join(told + more)}"


def _short(value: object) -> str:
    text = "none" if value is None else msgspec.json.encode(value).decode()
    return text if len(text) <= 40 else f"{text[:37]}..."


_SQL = queries("ingest", "sql/series.sql")
