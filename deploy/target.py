"""Which database and which account a command works on: the options that say so, and what they come to."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import BadInputError, UnavailableError
from ingest.named_sql import queries

if TYPE_CHECKING:
    import psycopg

    from deploy.settings import Settings
    from ingest.mapping import Source

_PORT_LINE, _SOCKET_LINE, _ADDRESS_LINE = 3, 4, 5
"""Zero-based lines of postmaster.pid (PostgreSQL documentation, "Database File Layout", table of PGDATA)."""


def add_options(parser: argparse.ArgumentParser, *, account: bool = True) -> None:
    """Give a command ``--database``, ``--data`` and, unless it is about all accounts, ``--account``."""
    group = parser.add_argument_group("which database")
    group.add_argument(
        "--database", metavar="CONNINFO", help="a postgresql:// address, or words such as 'host=... dbname=...'"
    )
    group.add_argument("--data", metavar="FOLDER", type=Path, help="the data folder of a demo or stack that is running")
    if account:
        group.add_argument("--account", metavar="NAME", help="the contractor; not needed where there is only one")


def conninfo(arguments: argparse.Namespace) -> str:
    """Return the address of the database that the options name, else the settings.

    Raises
    ------
    BadInputError
        A setting cannot be used.
    UnavailableError
        No database is named, and no stack runs over the data folder.
    """
    if arguments.database:
        return str(arguments.database)
    if arguments.data:
        return conninfo_of_running(arguments.data)
    known = _settings()
    return known.database or conninfo_of_running(known.data)


def conninfo_of_running(data: Path) -> str:
    """Return the address of the embedded database that runs over a data folder.

    Raises
    ------
    UnavailableError
        No stack runs there, or its password is another user's.
    """
    from psycopg.conninfo import make_conninfo  # noqa: PLC0415 - every command registers its options, few need the driver

    from deploy.embedded.postgres import ROLE  # noqa: PLC0415 - likewise

    try:
        lines = (data / "postgres" / "postmaster.pid").read_text(encoding="utf-8").splitlines()
        password = (data / "postgres.password").read_text(encoding="utf-8").strip()
    except FileNotFoundError:
        raise UnavailableError(
            f"no stack runs over {data}: start one with 'halfsecond serve all --data {data}', "
            "or name a database with --data FOLDER, --database or HALFSECOND_DATABASE"
        ) from None
    except OSError as error:
        raise UnavailableError(
            f"{error.filename} cannot be read ({error.strerror}): be the user who runs the stack"
        ) from None
    if len(lines) <= _ADDRESS_LINE:
        raise UnavailableError(f"the database over {data} is only just starting: try again in a moment")
    host = lines[_SOCKET_LINE].strip() or lines[_ADDRESS_LINE].strip()
    return make_conninfo(host=host, port=lines[_PORT_LINE].strip(), user=ROLE, password=password, dbname=ROLE)


def account(connection: psycopg.Connection, arguments: argparse.Namespace, *, create: bool = False) -> int:
    """Return the account that the option, else HALFSECOND_ACCOUNT, names; else the only one that there is.

    Parameters
    ----------
    connection
        To the database.
    arguments
        With ``account``.
    create
        Whether a named account that is not there is made.

    Raises
    ------
    BadInputError
        There is no such account, or several and none is named.
    """
    statements = queries("deploy", "sql/admin.sql")
    name = arguments.account or _settings().account
    found: dict[str, int] = dict(connection.execute(statements["accounts_by_name"]).fetchall())
    if name in found:
        return found[name]
    if name is not None and create:
        row = connection.execute(statements["add_account"], {"name": name}).fetchone()
        assert row is not None
        return int(row[0])
    if name is not None:
        raise BadInputError(f"--account: there is no account '{name}'; add it with 'halfsecond account add'")
    if len(found) == 1:
        return next(iter(found.values()))
    if found:
        raise BadInputError(f"--account: name one of the {len(found)} accounts; see 'halfsecond account list'")
    raise BadInputError("--account: there is no account yet; add one with 'halfsecond account add NAME'")


def mappings() -> tuple[Source, ...]:
    """Return the mappings of other loggers that the settings name; errors as of :func:`ingest.mapping.load`."""
    from ingest import mapping  # noqa: PLC0415 - few commands need it

    path = _settings().mapping
    return mapping.load(path) if path else ()


def _settings() -> Settings:
    from deploy import settings  # noqa: PLC0415 - it knows the broker too, whose driver few commands need

    return settings.read()
