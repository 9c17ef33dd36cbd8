"""The broker's table of users: every device with its password's hash, and intake; and the rules of who may do what."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path

import psycopg

from deploy.supervise import say
from ingest import database
from ingest.errors import UnavailableError
from ingest.mapping import load
from ingest.named_sql import queries
from ingest.passwords import broker_password_hash
from ingest.wire import TOPIC_ROOT

INTAKE_USER = "halfsecond-intake"

_OWN = f"{TOPIC_ROOT}/{{device}}/#"


def rules(topics: Iterable[str] = ()) -> str:
    """Return mosquitto's rules: a device writes under its own name, intake reads all that, nobody does anything else.

    Parameters
    ----------
    topics
        Where loggers of another kind publish, with ``{device}`` in place of the device (see :mod:`ingest.mapping`).
        mosquitto can hold a device to its own name only where that is a whole level of the topic; for another topic
        there is no rule by which anybody may write.
    """
    known = list(dict.fromkeys([_OWN, *topics]))
    filters = [f"{TOPIC_ROOT}/#", *("/".join(map(_any, topic.split("/"))) for topic in known[1:])]
    reads = "".join(f"topic read {each}\n" for each in filters)
    writes = [topic.split("/") for topic in known if "{device}" in topic.split("/")]
    return f"user {INTAKE_USER}\n{reads}\n" + "".join(
        f"pattern write {'/'.join('%u' if level == '{device}' else level for level in levels)}\n" for levels in writes
    )


def topics_of(mapping: Path | None) -> list[str]:
    """Return the topics of the mappings in a file or folder.

    Raises
    ------
    BadInputError
        A mapping cannot be used.
    """
    return [source.topic for source in load(mapping) if source.topic] if mapping else []


def _any(level: str) -> str:
    return "+" if "{device}" in level else level


def table(devices: Mapping[str, str], intake_hash: str | None) -> str:
    """Return mosquitto's password file: one line a user, ``name:hash``, by name.

    Parameters
    ----------
    devices
        Password hash of each device (see :mod:`ingest.passwords`).
    intake_hash
        That of intake's password; None leaves intake out.
    """
    users = dict(devices) | ({} if intake_hash is None else {INTAKE_USER: intake_hash})
    return "".join(f"{user}:{hashed}\n" for user, hashed in sorted(users.items()))


def intake_hash(password: str | None) -> str | None:
    """Return the hash of intake's password, or None without one."""
    return None if password is None else broker_password_hash(password)


def write(path: Path, text: str, mode: int = 0o640) -> None:
    """Put a file in place as a whole, so that a reader never sees half of it.

    Raises
    ------
    UnavailableError
        The folder cannot be written to.
    """
    fresh = path.with_name(path.name + ".new")
    try:
        fresh.unlink(missing_ok=True)
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", encoding="utf-8") as handle:
            handle.write(text)
        fresh.replace(path)
    except OSError as error:
        raise UnavailableError(
            f"{path}: cannot be written ({error.strerror}); name a file in a writable folder"
        ) from None


def devices(conninfo: str) -> dict[str, str]:
    """Return the password hash of each device that may sign in to the broker."""
    with database.connect(conninfo) as connection:
        return dict(connection.execute(queries("deploy", "sql/stack.sql")["broker_users"]).fetchall())


def follow(conninfo: str, path: Path, intake: str | None, stop: threading.Event, every_s: float) -> None:
    """Write the password file whenever the devices change, until ``stop`` is set.

    While the database is away the file stays as it is: a broker lets in whom it knew.
    """
    written: str | None = None
    away = False
    while True:
        try:
            text = table(devices(conninfo), intake)
        except (UnavailableError, psycopg.Error) as error:
            if not away:
                say(f"broker users: they stay as they are while the database is away ({error})")
            away = True
        else:
            away = False
            if text != written:
                write(path, text, 0o644)
                written = text
        if stop.wait(every_s):
            return
