"""What a migration is made of: run an SQL file, and turn the series into what the server offers."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import cast

import psycopg
from alembic import op

_HYPERTABLE = "select create_hypertable(%s, by_range('at', interval '1 day'), create_default_indexes => false)"
_PARTITIONED = re.compile(r"\)\s*partition by range \(at\);")


def run_sql(file: str, series: tuple[str, ...] = ()) -> None:
    """Run an SQL file of the versions folder in the migration's transaction.

    Parameters
    ----------
    file
        Name of the file; its series are written as ``) partition by range (at);``.
    series
        Tables that the file makes and that hold one row an instant. Where TimescaleDB is offered they become
        hypertables of a day a chunk; a partitioned table cannot become one, so that clause is left out there.
    """
    text = files("ingest.migrations.versions").joinpath(file).read_text(encoding="utf-8")
    with connection().cursor() as cursor:
        if series and _offers_hypertables(cursor):
            cursor.execute("create extension if not exists timescaledb")
            cursor.execute(unpartitioned(text))
            for table in series:
                cursor.execute(_HYPERTABLE, (table,))
        else:
            cursor.execute(text)


def unpartitioned(text: str) -> str:
    """Return the SQL of tables without the clause that partitions them; columns and keys stay the same."""
    return _PARTITIONED.sub(");", text)


def connection() -> psycopg.Connection:
    """Return the driver's own connection: it takes a file of many statements and leaves percent signs alone."""
    return cast("psycopg.Connection", op.get_bind().connection.driver_connection)


def _offers_hypertables(cursor: psycopg.Cursor) -> bool:
    """Tell whether TimescaleDB is in this database, or loaded by the server so that it can be."""
    cursor.execute(
        "select exists (select from pg_extension where extname = 'timescaledb')"
        " or exists (select from pg_settings where name = 'shared_preload_libraries' and setting ~ 'timescaledb')"
    )
    row = cursor.fetchone()
    return bool(row and row[0])
