"""``halfsecond account|person|device|token add|list|remove``: who and what belongs to an account."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from deploy import target
from deploy.table import show
from ingest.errors import BadInputError
from ingest.named_sql import queries
from ingest.passwords import new_secret, token_hash

if TYPE_CHECKING:
    import psycopg

ROLES = ("manager", "dispatcher", "technician")
LONGEST_NAME = 200

Run = Callable[[argparse.Namespace], int]
Ask = Callable[..., list[dict[str, Any]]]


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the four commands."""
    verb = _noun(subparsers, "account", "contractors: every row belongs to one")
    verb("add", _add_account, "'Larkfell Heating'", False).add_argument("name")
    verb("list", _list_accounts, "", False)
    verb("remove", _remove_account, "'Larkfell Heating'", False).add_argument("name")

    verb = _noun(subparsers, "person", "who works with the call list, and gets notices")
    person = verb("add", _add_person, "'Kim Example' --role technician --mail kim@example.org", True)
    person.add_argument("name")
    person.add_argument("--role", choices=ROLES, required=True)
    person.add_argument("--mail", metavar="ADDRESS")
    person.add_argument("--phone", metavar="NUMBER")
    verb("list", _list_persons, "", True)
    verb("remove", _remove_person, "'Kim Example'", True).add_argument("name")

    verb = _noun(subparsers, "device", "loggers: each is a user of the broker and reports for one unit")
    device = verb("add", _add_device, "d-0001 --unit u-0001", True)
    device.add_argument("device", help="letters, digits, dot, dash and underscore; up to 64")
    device.add_argument("--unit", required=True, help="the unit that it reports for")
    device.add_argument("--renew", action="store_true", help="give a device that is there already a new password")
    verb("list", _list_devices, "", True)
    verb("remove", _remove_device, "d-0001", True).add_argument("device")

    verb = _noun(subparsers, "token", "keys for programs and people that read the pages from elsewhere")
    verb("add", _add_token, "office-screen", True).add_argument("name", help="what it is for")
    verb("list", _list_tokens, "", True)
    verb("remove", _remove_token, "office-screen", True).add_argument("name")


def _noun(subparsers: Any, noun: str, text: str) -> Callable[[str, Run, str, bool], argparse.ArgumentParser]:  # noqa: ANN401
    """Register one command; return what registers its verbs: name, function, example, whether of one account."""
    parser = subparsers.add_parser(
        noun, help=text, description=text, epilog=f"example:\n  halfsecond {noun} list --data .halfsecond/demo"
    )
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="add|list|remove")

    def verb(name: str, run: Run, example: str, of_account: bool) -> argparse.ArgumentParser:
        what = f"{name} {noun}s" if name == "list" else f"{name} one {noun}"
        made: argparse.ArgumentParser = verbs.add_parser(
            name,
            help=what,
            description=f"{what}: {text}",
            epilog=f"example:\n  halfsecond {noun} {name} {example}".rstrip(),
        )
        target.add_options(made, account=of_account)
        made.add_argument("--json", action="store_true", help="for programs: one JSON object a line")
        made.set_defaults(run=run)
        return made

    return verb


@contextmanager
def _connected(arguments: argparse.Namespace) -> Iterator[psycopg.Connection]:
    """Give a connection to the database, brought up to date, in one transaction."""
    from ingest import database  # noqa: PLC0415 - loaded for a command that wants it, not for every --help

    conninfo = target.conninfo(arguments)
    database.migrate(conninfo)
    with database.connect(conninfo) as connection, connection.transaction():
        yield connection


@contextmanager
def _store(arguments: argparse.Namespace, *, of_account: bool = True) -> Iterator[Ask]:
    """Give a function that runs a statement by name, for one account, in one transaction, and returns its rows."""
    from psycopg.rows import dict_row  # noqa: PLC0415 - loaded for a command that wants it, not for every --help

    statements = queries("deploy", "sql/admin.sql")
    with _connected(arguments) as connection:
        account_id = target.account(connection, arguments) if of_account else None

        def ask(name: str, /, **values: object) -> list[dict[str, Any]]:
            with connection.cursor(row_factory=dict_row) as cursor:
                cursor.execute(statements[name], {"account_id": account_id, **values})
                return cursor.fetchall() if cursor.description else []

        yield ask


def _said(arguments: argparse.Namespace, text: str, **facts: object) -> int:
    print(json.dumps(facts, ensure_ascii=False) if arguments.json else text)
    return 0


def _add_account(arguments: argparse.Namespace) -> int:
    name = _name(arguments.name)
    with _store(arguments, of_account=False) as ask:
        if not ask("add_account", name=name):
            raise BadInputError(f"account: there is an account '{name}' already")
    return _said(arguments, f"account '{name}' added", account=name)


def _list_accounts(arguments: argparse.Namespace) -> int:
    with _store(arguments, of_account=False) as ask:
        show(ask("list_accounts"), as_json=arguments.json, nothing="no accounts yet")
    return 0


def _remove_account(arguments: argparse.Namespace) -> int:
    with _store(arguments, of_account=False) as ask:
        found = {row["name"]: row["account_id"] for row in ask("accounts_by_name")}
        if arguments.name not in found:
            raise BadInputError(f"account: there is no account '{arguments.name}'; see 'halfsecond account list'")
        units = ask("count_units", account_id=found[arguments.name])[0]["count"]
        if units:
            raise BadInputError(
                f"account: '{arguments.name}' has {units} units with their history, which this command does not delete"
            )
        ask("remove_account", account_id=found[arguments.name])
    return _said(arguments, f"account '{arguments.name}' removed", account=arguments.name)


def _add_person(arguments: argparse.Namespace) -> int:
    name = _name(arguments.name)
    with _store(arguments) as ask:
        if not ask("add_person", name=name, role=arguments.role, mail=arguments.mail, phone=arguments.phone):
            raise BadInputError(f"person: there is a person '{name}' already; remove that one first, or add initials")
    return _said(arguments, f"{arguments.role} '{name}' added", person=name, role=arguments.role)


def _list_persons(arguments: argparse.Namespace) -> int:
    with _store(arguments) as ask:
        show(ask("list_persons"), as_json=arguments.json, nothing="no persons yet")
    return 0


def _remove_person(arguments: argparse.Namespace) -> int:
    with _store(arguments) as ask:
        if not ask("remove_person", name=arguments.name):
            raise BadInputError(f"person: there is no person '{arguments.name}'; see 'halfsecond person list'")
    return _said(arguments, f"person '{arguments.name}' removed", person=arguments.name)


def _add_device(arguments: argparse.Namespace) -> int:
    from ingest.store import devices, unit_ids  # noqa: PLC0415 - loaded for a command that wants it, not for every --help

    device, unit = arguments.device, arguments.unit
    with _connected(arguments) as connection:
        account_id = target.account(connection, arguments)
        found = unit_ids(connection, account_id, [unit])
        if unit not in found:
            raise BadInputError(f"--unit: there is no unit '{unit}'; load it first with 'halfsecond load units FILE'")
        password = devices.add(connection, account_id, device, found[unit], renew=arguments.renew)
    return _said(
        arguments,
        f"{device} reports for {unit}; its password at the broker, shown only now:\n{password}",
        device=device,
        unit=unit,
        password=password,
    )


def _list_devices(arguments: argparse.Namespace) -> int:
    with _store(arguments) as ask:
        show(ask("list_devices"), as_json=arguments.json, nothing="no devices yet")
    return 0


def _remove_device(arguments: argparse.Namespace) -> int:
    from ingest.store import devices  # noqa: PLC0415 - likewise

    with _connected(arguments) as connection:
        if not devices.remove(connection, target.account(connection, arguments), arguments.device):
            raise BadInputError(f"device: there is no device '{arguments.device}'; see 'halfsecond device list'")
    return _said(arguments, f"device '{arguments.device}' removed; what it sent stays", device=arguments.device)


def _add_token(arguments: argparse.Namespace) -> int:
    name, token = _name(arguments.name), new_secret()
    with _store(arguments) as ask:
        if not ask("add_token", name=name, hash=token_hash(token)):
            raise BadInputError(
                f"token: there is a token '{name}' already; remove that one first, or name it otherwise"
            )
    return _said(arguments, f"token '{name}', shown only now:\n{token}", name=name, token=token)


def _list_tokens(arguments: argparse.Namespace) -> int:
    with _store(arguments) as ask:
        show(ask("list_tokens"), as_json=arguments.json, nothing="no tokens yet")
    return 0


def _remove_token(arguments: argparse.Namespace) -> int:
    with _store(arguments) as ask:
        if not ask("remove_token", name=arguments.name):
            raise BadInputError(f"token: there is no token '{arguments.name}'; see 'halfsecond token list'")
    return _said(arguments, f"token '{arguments.name}' removed: it opens nothing any more", token=arguments.name)


def _name(text: str) -> str:
    """Return a name without blanks around it; refuse one that would not show."""
    name = text.strip()
    if not name or not name.isprintable() or len(name) > LONGEST_NAME:
        raise BadInputError(f"name: needs 1 to {LONGEST_NAME} printable letters")
    return name
