"""``halfsecond migrate``: bring the schema of a database up to date before the programs start."""

from __future__ import annotations

import argparse
import contextlib
import time
from typing import Any

from deploy import target


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command."""
    parser = subparsers.add_parser(
        "migrate",
        help="bring the database's schema up to date",
        description=(
            "Brings the schema of the database up to date, and makes the account of HALFSECOND_ACCOUNT, or 'main'\n"
            "where there is none at all. Does nothing where all is there already."
        ),
        epilog="example:\n  halfsecond migrate --database postgresql://halfsecond@db/halfsecond --wait 60",
    )
    parser.add_argument(
        "--wait", metavar="S", type=float, default=0.0, help="how long to wait for a server that is only just starting"
    )
    target.add_options(parser, account=False)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Migrate."""
    from msgspec.structs import replace  # noqa: PLC0415 - help must not wait for it

    from deploy import settings, stack  # noqa: PLC0415
    from ingest import database  # noqa: PLC0415
    from ingest.errors import BadInputError, UnavailableError  # noqa: PLC0415

    conninfo = target.conninfo(arguments)
    until = time.monotonic() + arguments.wait
    while True:
        try:
            database.migrate(conninfo)
            break
        except UnavailableError:
            if time.monotonic() >= until:
                raise
        time.sleep(1.0)
    print("the schema is up to date")
    with contextlib.suppress(BadInputError):  # several, and none is named: then there is none to be made
        print(f"account '{stack.account_name(replace(settings.read(), database=conninfo))}' is there")
    return 0
