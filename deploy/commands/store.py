"""``halfsecond store size|check|gaps|tend``: what the tables hold, whether it hangs together, and looking after it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from deploy import target
from deploy.table import show
from ingest.errors import BadInputError

if TYPE_CHECKING:
    import psycopg

EXIT_FOUND = 1
_TEXT = "what the tables hold, whether it hangs together, and looking after it"


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the command and its verbs."""
    parser = subparsers.add_parser(
        "store", help=_TEXT, description=_TEXT, epilog="example:\n  halfsecond store check --data winter"
    )
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="size|check|gaps|tend", parser_class=type(parser))
    _verb(verbs, "size", _size, "how large each table is", "--json", account=False, listing=True)
    checking = _verb(
        verbs,
        "check",
        _check,
        "look whether what the tables hold hangs together; exit 1 if something is found",
        "--days 90",
        account=False,
        listing=True,
    )
    checking.add_argument("--days", type=_whole, default=30, metavar="N", help="starts of so many last days (30)")
    gaps = _verb(
        verbs,
        "gaps",
        _gaps,
        "devices of which records were never received, by their numbers",
        "--device d-0001 --forget",
        account=True,
        listing=True,
    )
    gaps.add_argument("--device", metavar="DEVICE", help="only of this device")
    gaps.add_argument(
        "--forget", action="store_true", help="take what is missing of --device as lost: it is not shown any more"
    )
    tending = _verb(
        verbs,
        "tend",
        _tend,
        "make partitions ahead, drop what is older than is kept, pack what is old; the watch does so every hour",
        "--keep-days 800",
        account=False,
        listing=False,
    )
    tending.add_argument("--keep-days", type=_whole, metavar="N", help="in place of HALFSECOND_KEEP_DAYS")


def _verb(
    verbs: Any,  # noqa: ANN401 - argparse's type is private
    name: str,
    run: Callable[[argparse.Namespace], int],
    text: str,
    example: str,
    *,
    account: bool,
    listing: bool,
) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = verbs.add_parser(
        name, help=text, description=text, epilog=f"example:\n  halfsecond store {name} {example}"
    )
    target.add_options(made, account=account)
    if listing:
        made.add_argument("--json", action="store_true", help="for programs: one JSON object a line")
    made.set_defaults(run=run)
    return made


def _whole(text: str) -> int:
    if not text.isdecimal() or not 0 < int(text) < 100_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of days from 1 on")
    return int(text)


@contextmanager
def _store(arguments: argparse.Namespace) -> Iterator[psycopg.Connection]:
    from ingest import database  # noqa: PLC0415 - loaded for a command that wants it, not for every --help

    with database.connect(target.conninfo(arguments)) as connection:
        yield connection


def _size(arguments: argparse.Namespace) -> int:
    from ingest.store import checking  # noqa: PLC0415 - likewise

    with _store(arguments) as connection:
        rows, server = checking.sizes(connection), checking.server(connection)
    show(rows, as_json=arguments.json)
    if not arguments.json:
        engine = f", TimescaleDB {server['timescaledb']}" if server["timescaledb"] else ""
        print(f"{server['bytes'] / 1e6:,.1f} MB in all; PostgreSQL {server['server']}{engine}; rows are estimates")
    return 0


def _check(arguments: argparse.Namespace) -> int:
    from tqdm import tqdm  # noqa: PLC0415 - likewise

    from ingest.store import checking  # noqa: PLC0415 - likewise

    bar = tqdm(total=checking.CHECKS, desc="checking", unit="check", delay=1, leave=False, file=sys.stderr)
    with _store(arguments) as connection, bar:
        findings = checking.check(connection, arguments.days, progress=bar.update)
    show(
        [
            {"check": f.check, "ok": "ok" if f.ok else "FOUND", "found": f.found, "do": "" if f.ok else f.remedy}
            for f in findings
        ],
        as_json=arguments.json,
    )
    return EXIT_FOUND if any(not f.ok for f in findings) else 0


def _gaps(arguments: argparse.Namespace) -> int:
    from ingest.store import sequence  # noqa: PLC0415 - likewise

    with _store(arguments) as connection:
        account_id = target.account(connection, arguments)
        if arguments.forget:
            if arguments.device is None:
                raise BadInputError("store gaps: --forget goes with --device, one at a time")
            if not sequence.forget(connection, account_id, arguments.device):
                raise BadInputError(f"--device: nothing was ever received from {arguments.device} in this account")
            print(f"what was missing of {arguments.device} is taken as lost")
            return 0
        rows = sequence.gaps(connection, account_id, arguments.device)
    show(rows, as_json=arguments.json, nothing="nothing is missing")
    return 0


def _tend(arguments: argparse.Namespace) -> int:
    from deploy import settings  # noqa: PLC0415 - likewise
    from ingest import upkeep  # noqa: PLC0415 - likewise

    keep_days = arguments.keep_days or settings.read().keep_days
    with _store(arguments) as connection:
        done = upkeep.tend(connection, keep_days)
    if done is None:
        print("another program is at it")
        return 0
    print(
        f"{done.dropped} days dropped, {done.packed} packed, {done.deleted:,} rows deleted, {done.waiting} days in use"
    )
    return 0
