"""``halfsecond quarantine list|show|replay|drop``: what could not be stored, and what to do with it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, get_args

from deploy import target
from deploy.table import show
from ingest.errors import BadInputError

if TYPE_CHECKING:
    import psycopg

_PAGE = 1_000
_TEXT = "what intake could not store: bad JSON, missing or impossible values, unknown devices, clocks out of range"


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the command and its four verbs."""
    parser = subparsers.add_parser(
        "quarantine",
        help=_TEXT,
        description=_TEXT,
        epilog="example:\n  halfsecond quarantine list --reason unknown_device",
    )
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="list|show|replay|drop")

    listing = _verb(verbs, "list", _list, "list what waits, oldest first", "--reason bad_json")
    _add_choice(listing)
    listing.add_argument("--limit", type=_positive, default=50, metavar="N", help="at most so many (50)")
    listing.add_argument("--json", action="store_true", help="for programs: one JSON object a line")

    showing = _verb(verbs, "show", _show, "show one item with its payload", "17")
    showing.add_argument("id", type=_positive, help="its number in the list")
    showing.add_argument("--json", action="store_true", help="for programs: one JSON object")

    replaying = _verb(
        verbs, "replay", _replay, "put items through again after the cause is mended", "--all --reason unknown_device"
    )
    dropping = _verb(verbs, "drop", _drop, "delete items for good", "17 18")
    for made in (replaying, dropping):
        made.add_argument("ids", type=_positive, nargs="*", metavar="ID", help="numbers in the list")
        made.add_argument("--all", action="store_true", help="everything that --reason and --device choose")
        _add_choice(made)


def _verb(
    verbs: Any,  # noqa: ANN401 - argparse's type is private
    name: str,
    run: Callable[[argparse.Namespace], int],
    text: str,
    example: str,
) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = verbs.add_parser(
        name, help=text, description=text, epilog=f"example:\n  halfsecond quarantine {name} {example}"
    )
    target.add_options(made)
    made.set_defaults(run=run)
    return made


def _add_choice(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--reason", metavar="REASON", help="only for this reason, such as bad_json")
    parser.add_argument("--device", metavar="DEVICE", help="only of this device")


def _positive(text: str) -> int:
    if not text.isdecimal() or not 0 < int(text) < 2**63:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 1 on")
    return int(text)


@contextmanager
def _store(arguments: argparse.Namespace) -> Iterator[tuple[psycopg.Connection, int | None]]:
    """Give a connection, and the account if one is named: an operator sees all of them and what belongs to none."""
    from ingest import database  # noqa: PLC0415 - loaded for a command that wants it, not for every --help

    with database.connect(target.conninfo(arguments)) as connection:
        yield connection, target.account(connection, arguments) if arguments.account else None


def _chosen(
    connection: psycopg.Connection, account_id: int | None, arguments: argparse.Namespace, limit: int | None = None
) -> list[dict[str, Any]]:
    from ingest import quarantine  # noqa: PLC0415 - likewise
    from ingest.decode import Reason  # noqa: PLC0415 - likewise

    reasons = get_args(Reason)
    if arguments.reason is not None and arguments.reason not in reasons:
        raise BadInputError(f"--reason: {arguments.reason!r} is not one of {', '.join(reasons)}")
    found: list[dict[str, Any]] = []
    while limit is None or len(found) < limit:
        after = found[-1]["quarantine_id"] if found else 0
        page = quarantine.listed(
            connection,
            account_id,
            reason=arguments.reason,
            device=arguments.device,
            after=after,
            limit=_PAGE if limit is None else min(_PAGE, limit - len(found)),
            strays=account_id is None,
        )
        found += page
        if not page:
            break
    return found


def _list(arguments: argparse.Namespace) -> int:
    from ingest import quarantine  # noqa: PLC0415 - likewise

    with _store(arguments) as (connection, account_id):
        rows = _chosen(connection, account_id, arguments, arguments.limit)
        counted = quarantine.counted(connection, account_id, strays=account_id is None)
    heads = ("received_at", "reason", "topic", "detail", "seen", "tries", "bytes")
    show(
        [{"id": row["quarantine_id"]} | {head: row[head] for head in heads} for row in rows],
        as_json=arguments.json,
        nothing="nothing is in quarantine" if not counted else "nothing of that kind is in quarantine",
    )
    if not arguments.json and len(rows) < sum(counted.values()):
        print(f"{len(rows)} of {sum(counted.values())}: " + ", ".join(f"{n} {reason}" for reason, n in counted.items()))
    return 0


def _show(arguments: argparse.Namespace) -> int:
    from ingest import quarantine  # noqa: PLC0415 - likewise

    with _store(arguments) as (connection, account_id):
        item = quarantine.shown(connection, account_id, arguments.id, strays=account_id is None)
    if item is None:
        raise _not_there(arguments.id)
    text, encoded = quarantine.as_text(item.pop("payload"))
    item = {"id": item.pop("quarantine_id")} | item
    if arguments.json:
        show([item | ({"payload_base64": encoded} if encoded else {}) | {"payload": text}], as_json=True)
        return 0
    for head, value in item.items():
        print(f"{head + ':':14}{'-' if value is None else value}")
    print(quarantine.printable(text))
    return 0


def _replay(arguments: argparse.Namespace) -> int:
    from tqdm import tqdm  # noqa: PLC0415 - likewise

    from ingest import quarantine  # noqa: PLC0415 - likewise

    with _store(arguments) as (connection, account_id):
        ids = _ids(connection, account_id, arguments)
        quiet = len(ids) < 100 or not sys.stderr.isatty()
        with tqdm(total=len(ids), desc="replaying", unit="item", disable=quiet, file=sys.stderr) as bar:
            done = quarantine.replay(connection, ids, progress=bar.update, mappings=target.mappings())
    print(f"{done.released} stored, {done.kept} still in quarantine")
    return 0


def _drop(arguments: argparse.Namespace) -> int:
    from ingest import quarantine  # noqa: PLC0415 - likewise

    with _store(arguments) as (connection, account_id):
        dropped = quarantine.drop(connection, _ids(connection, account_id, arguments))
    print(f"{dropped} dropped")
    return 0


def _ids(connection: psycopg.Connection, account_id: int | None, arguments: argparse.Namespace) -> list[int]:
    """Return the numbers that are named or chosen, all of them in quarantine."""
    from ingest import quarantine  # noqa: PLC0415 - likewise

    if bool(arguments.ids) == arguments.all:
        raise BadInputError(f"quarantine {arguments.verb}: give the numbers of items, or --all")
    if arguments.all:
        return [row["quarantine_id"] for row in _chosen(connection, account_id, arguments)]
    if arguments.reason or arguments.device:
        raise BadInputError(f"quarantine {arguments.verb}: --reason and --device go with --all, not with numbers")
    for quarantine_id in arguments.ids:
        item = quarantine.shown(connection, account_id, quarantine_id, strays=account_id is None)
        if item is None or item["released_at"] is not None:
            raise _not_there(quarantine_id)
    return list(arguments.ids)


def _not_there(quarantine_id: int) -> BadInputError:
    return BadInputError(f"quarantine: there is no item {quarantine_id}; see 'halfsecond quarantine list'")
