"""Registering loggers: each is a user of the broker and reports for one unit."""

from __future__ import annotations

import re
from typing import Any

import psycopg

from ingest.errors import BadInputError
from ingest.named_sql import queries
from ingest.passwords import broker_password_hash, new_secret

NAME = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}"
RESERVED = "halfsecond-"
"""What the broker's own users begin with, intake above all."""


def add(connection: psycopg.Connection[Any], account_id: int, device: str, unit_id: int, *, renew: bool = False) -> str:
    """Have a device report for a unit, and return its password at the broker, of which only a hash is kept.

    Parameters
    ----------
    device
        Name of the broker's user: letters, digits, dot, dash and underscore, at most 64.
    unit_id
        A unit of the account.
    renew
        A device that is there already may get a new password, and another unit.

    Raises
    ------
    BadInputError
        The name cannot be a broker's user, is another account's, or is there already and is not to be renewed.
    """
    if not re.fullmatch(NAME, device) or device.startswith(RESERVED):
        raise BadInputError(
            f"device: '{device}' cannot be a broker user: use letters, digits, dot, dash and underscore, at most 64, "
            f"and not '{RESERVED}' at the start"
        )
    own: dict[str, Any] = {"account_id": account_id, "device": device}
    with connection.cursor(row_factory=psycopg.rows.dict_row) as cursor:
        found = cursor.execute(_SQL["find"], own).fetchone()
        if found and not found["ours"]:
            raise BadInputError(f"device: the name '{device}' is taken: choose another")
        if found and found["active"] and not renew:
            raise BadInputError(
                f"device: '{device}' reports for {found['unit']} already: renew its password, or remove it first"
            )
        password = new_secret()
        values = own | {"unit_id": unit_id, "password_hash": broker_password_hash(password)}
        if cursor.execute(_SQL["put"], values).fetchone() is None:
            raise BadInputError(f"device: the name '{device}' is taken: choose another")
    return password


def remove(connection: psycopg.Connection[Any], account_id: int, device: str) -> bool:
    """Take a device's password away, so that the broker lets it in no more; return whether there is such a device.

    What it has sent stays with its unit. Removing it again changes nothing.
    """
    return bool(connection.execute(_SQL["remove"], {"account_id": account_id, "device": device}).rowcount)


_SQL = queries("ingest", "sql/devices.sql")
