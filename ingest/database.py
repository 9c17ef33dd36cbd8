"""The database: connections, migrations, and the day partitions of the two series.

Connections are in autocommit: one statement is one transaction, and several belong together inside
``with connection.transaction():``. Nothing is left open by a read, and nothing is lost by forgetting to commit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict
from psycopg.pq import TransactionStatus
from psycopg_pool import ConnectionPool

from ingest.errors import UnavailableError
from ingest.named_sql import queries

if TYPE_CHECKING:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

CONNECT_TIMEOUT_S = 10
_MIGRATION_LOCK = 6_082_174_411

_known_days: WeakKeyDictionary[psycopg.Connection[Any], dict[str, set[date] | None]] = WeakKeyDictionary()


def connect(conninfo: str, **options: Any) -> psycopg.Connection:  # noqa: ANN401 - passed on to the driver
    """Return a connection in autocommit, in UTC.

    Raises
    ------
    UnavailableError
        The server cannot be reached or does not let us in; the text says which and what to check.
    """
    try:
        return psycopg.connect(conninfo, **_settings(conninfo) | options)
    except psycopg.OperationalError as error:
        raise _unavailable(conninfo, error) from error


def pool(conninfo: str, max_size: int = 8) -> ConnectionPool:
    """Return an open pool of connections such as :func:`connect` gives; close it, or use it in a ``with``.

    Raises
    ------
    UnavailableError
        The server cannot be reached.
    """
    connect(conninfo).close()
    return ConnectionPool(
        conninfo,
        min_size=1,
        max_size=max_size,
        kwargs=_settings(conninfo),
        check=ConnectionPool.check_connection,
        open=True,
    )


def migrate(conninfo: str) -> None:
    """Bring the schema of a database to the newest version; do nothing where it is there already.

    Safe to call from several processes at once. Native partitions or hypertables are chosen by what the server offers.

    Raises
    ------
    UnavailableError
        The server cannot be reached, or the database belongs to a newer version of this program.
    """
    # What migrations need takes most of a second to load, for which a program that begins again must not wait.
    from alembic import command  # noqa: PLC0415
    from sqlalchemy import create_engine, text  # noqa: PLC0415
    from sqlalchemy.pool import NullPool  # noqa: PLC0415

    config, script = _script()
    engine = create_engine("postgresql+psycopg://", creator=partial(_for_migration, conninfo), poolclass=NullPool)
    try:
        with engine.connect() as connection:
            connection.execute(text("select pg_advisory_lock(:key)"), {"key": _MIGRATION_LOCK})
            connection.commit()
            _refuse_newer(connection, script)
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    finally:
        engine.dispose()


def newest_version() -> str | None:
    """Return the version of the schema that this program knows."""
    return _script()[1].get_current_head()


def ensure_partitions(connection: psycopg.Connection, table: str, first_day: date, last_day: date) -> None:
    """Make sure that every day from the first to the last has its partition; nothing to do for a hypertable."""
    days = (last_day - first_day).days + 1
    ensure_days(connection, table, {first_day + timedelta(days=n) for n in range(days)})


def ensure_days(connection: psycopg.Connection, table: str, days: Iterable[date]) -> None:
    """Make sure that each of these days (UTC) has its partition.

    A partition is made apart and then attached, which lets readers and writers of the table go on meanwhile. Days that
    this connection has seen are remembered: see :func:`forget_days`.
    """
    tables = _known_days.setdefault(connection, {})
    if table not in tables:
        row = connection.execute(_SQL["is_partitioned"], (table,)).fetchone()
        tables[table] = set() if row and row[0] else None
    known = tables[table]
    missing = [] if known is None else sorted(set(days) - known)
    if known is None or not missing:
        return
    with connection.transaction():
        connection.execute(_SQL["lock_partitions"])
        names = {_partition(table, day): day for day in missing}
        there = {name for (name,) in connection.execute(_SQL["known_partitions"], (table, list(names)))}
        for name, day in names.items():
            if name not in there:
                _make(connection, table, name, day)
    known.update(missing)


@contextmanager
def flushed_together(connection: psycopg.Connection) -> Iterator[None]:
    """Let commits in the block wait for no disk; its end waits for all of them, as if each had waited.

    The log of the server is one sequence, so that what is flushed last covers what was written before. Inside a
    transaction of the caller's, it is that one's commit that waits.
    """
    connection.execute(_SQL["wait_for_no_disk"])
    try:
        yield
    finally:
        if connection.info.transaction_status in {TransactionStatus.IDLE, TransactionStatus.INTRANS}:
            connection.execute(_SQL["wait_for_disk"])
    connection.execute(_SQL["flush"])


def forget_days(connection: psycopg.Connection) -> None:
    """Forget which partitions are there, after one was found to be gone."""
    _known_days.pop(connection, None)


def _make(connection: psycopg.Connection, table: str, partition: str, day: date) -> None:
    first = datetime.combine(day, time(), UTC)
    names = {"table": sql.Identifier(table), "partition": sql.Identifier(partition)}
    connection.execute(sql.SQL(_SQL["make_partition"]).format(**names))
    bounds = {"first": sql.Literal(first.isoformat()), "end": sql.Literal((first + timedelta(days=1)).isoformat())}
    connection.execute(sql.SQL(_SQL["attach_partition"]).format(**names, **bounds))


def _partition(table: str, day: date) -> str:
    return f"{table}_{day:%Y%m%d}"


def _script() -> tuple[Config, ScriptDirectory]:
    from alembic.config import Config  # noqa: PLC0415 - likewise
    from alembic.script import ScriptDirectory  # noqa: PLC0415 - likewise

    config = Config()
    config.set_main_option("script_location", "ingest:migrations")
    return config, ScriptDirectory.from_config(config)


def _for_migration(conninfo: str) -> psycopg.Connection:
    return connect(conninfo, autocommit=False)


def _refuse_newer(connection: Any, script: ScriptDirectory) -> None:  # noqa: ANN401 - SQLAlchemy's, at this one seam
    from sqlalchemy import text  # noqa: PLC0415 - likewise

    table = connection.execute(text("select to_regclass('schema_version')")).scalar()
    version = connection.execute(text("select version_num from schema_version")).scalar() if table else None
    connection.commit()
    if version is not None and version not in {revision.revision for revision in script.walk_revisions()}:
        raise UnavailableError(
            f"database: its schema is of version {version}, which this program does not know; run a newer program"
        )


def _settings(conninfo: str) -> dict[str, Any]:
    """Return what every connection has, beside what its address says."""
    try:
        own = conninfo_to_dict(conninfo).get("options") or ""
    except psycopg.ProgrammingError:
        raise UnavailableError(
            "database: its address is neither a postgresql:// URI nor words such as host=... dbname=..."
        ) from None
    return {"autocommit": True, "connect_timeout": CONNECT_TIMEOUT_S, "options": f"{own} -c timezone=UTC".strip()}


def _unavailable(conninfo: str, error: psycopg.OperationalError) -> UnavailableError:
    """Say in one line which server did not answer, without the password."""
    known = conninfo_to_dict(conninfo)
    where = f"{known.get('host', 'the local socket')}:{known.get('port', 5432)}/{known.get('dbname', '')}"
    why = str(error).strip().splitlines()
    return UnavailableError(
        f"database: cannot be reached at {where} ({why[0] if why else 'no answer'}); is it running?"
    )


_SQL = queries("ingest", "sql/database.sql")
