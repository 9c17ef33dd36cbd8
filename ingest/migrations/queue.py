"""The tables of the task queue, which are its library's own and stand in a PostgreSQL schema of their own, ``queue``.

They are not in ``schema.sql``, which describes what this program reads and writes itself: the library makes them, and
its later versions change them. The schema's comment says up to which of the library's changes it has come.
"""

from __future__ import annotations

from importlib.resources import files

from ingest.migrations.run import connection

SCHEMA = "queue"


def bring_up_to_date() -> None:
    """Make the queue's tables in the migration's transaction, or apply the library's changes since.

    A newer library that brings changes wants one more migration that calls this; a test says so.
    """
    with connection().cursor() as cursor:
        cursor.execute("select obj_description(to_regnamespace(%s), 'pg_namespace')", (SCHEMA,))
        row = cursor.fetchone()
        there = row[0] if row else None
        # Made first in the path, so that the library's unqualified names fall there; ours are found behind it.
        cursor.execute("select set_config('search_path', %s || ',' || current_setting('search_path'), true)", (SCHEMA,))
        if there is None:
            cursor.execute(f"create schema {SCHEMA}")
            cursor.execute(_text("schema.sql").encode())
        else:
            for name in changes():
                if name > there:
                    cursor.execute(_text(f"migrations/{name}.sql").encode())
        cursor.execute(f"comment on schema {SCHEMA} is '{newest()}'".encode())


def changes() -> list[str]:
    """Return the names of the library's changes in their order."""
    folder = files("procrastinate.sql").joinpath("migrations")
    return sorted(one.name.removesuffix(".sql") for one in folder.iterdir() if one.name.endswith(".sql"))


def newest() -> str:
    """Return the name of the library's newest change: what a database of this version has come to."""
    return changes()[-1]


def _text(file: str) -> str:
    return files("procrastinate.sql").joinpath(file).read_text(encoding="utf-8")
