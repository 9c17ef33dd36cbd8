"""The task queue's tables stand in a schema of their own, and are those of the library that is installed."""

from __future__ import annotations

import psycopg
import pytest

from ingest.database import connect
from ingest.migrations import queue

pytestmark = pytest.mark.stack


def comment(connection: psycopg.Connection) -> str:
    row = connection.execute("select obj_description(to_regnamespace('queue'), 'pg_namespace')").fetchone()
    assert row is not None
    return str(row[0])


def test_a_migrated_database_has_the_queue_of_the_installed_library(database: str) -> None:
    with connect(database) as connection:
        assert comment(connection) == queue.newest(), (
            "the library brings changes: add a migration that calls ingest.migrations.queue.bring_up_to_date()"
        )
        tables = connection.execute(
            "select relname from pg_class where relnamespace = 'queue'::regnamespace and relkind = 'r'"
        ).fetchall()
        assert {"procrastinate_jobs", "procrastinate_periodic_defers"} <= {name for (name,) in tables}
        astray = connection.execute("select to_regclass('public.procrastinate_jobs')").fetchone()
        assert astray == (None,)


def test_a_queue_of_an_older_library_gets_only_the_changes_since(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    *_, before, newest = queue.changes()
    applied: list[str] = []

    def note(file: str) -> str:
        # What the change would do is done already: only which are asked for is looked at.
        applied.append(file)
        return "select 1"

    monkeypatch.setattr(queue, "_text", note)
    with connect(database) as connection:
        connection.execute(f"comment on schema queue is '{before}'".encode())
        # The database as it was before the queue came into it: what later migrations made is taken back.
        connection.execute("drop index device_of_account")
        monkeypatch.setattr(queue, "connection", lambda: connection)
        with connection.transaction():
            queue.bring_up_to_date()
        assert applied == [f"migrations/{newest}.sql"]
        assert comment(connection) == newest
