"""Whether a program that runs on this machine does its work, asked from outside it."""

from __future__ import annotations

import urllib.error
import urllib.request
from typing import Literal

from deploy.settings import Settings
from ingest.errors import BadInputError

ANSWER_S = 5.0
NOTICES_LATE_MIN = 5.0
"""Notices look at every account a few times a minute."""
WATCH_LATE_MIN = 15.0
"""A changed day that has waited so long for its verdict means that the watch does not keep up, or does nothing."""
WATCH_LATE = "a changed day has waited {:.0f} minutes for its verdict; does the watch run, and keep up?"
NOTICES_LATE = "an account was not looked at for {:.0f} minutes; do the notices run, and keep up?"


def problem(program: Literal["intake", "watch", "pages", "notices"], settings: Settings) -> str | None:
    """Return in one line what is wrong with a program, or None if it is well.

    Raises
    ------
    BadInputError
        The settings name nothing to ask.
    """
    if program == "watch":
        return _late(settings, "longest_wait_min", WATCH_LATE_MIN, WATCH_LATE)
    if program == "notices":
        return _late(settings, "longest_unlooked_min", NOTICES_LATE_MIN, NOTICES_LATE)
    if program == "intake":
        if settings.metrics_port is None:
            raise BadInputError("HALFSECOND_METRICS_PORT: is needed to ask intake; name a port there and here")
        return _answer(_address(settings.metrics_host, settings.metrics_port))
    return _answer(_address(*settings.listen_address()))


def _late(settings: Settings, statement: str, most_min: float, words: str) -> str | None:
    """Return in words that something has waited too long by a statement, or why that cannot be told; else None."""
    from deploy.target import conninfo_of_running  # noqa: PLC0415 - only here is a database asked
    from ingest import database  # noqa: PLC0415
    from ingest.errors import UnavailableError  # noqa: PLC0415
    from ingest.named_sql import queries  # noqa: PLC0415

    try:
        with database.connect(settings.database or conninfo_of_running(settings.data)) as connection:
            row = connection.execute(queries("deploy", "sql/stack.sql")[statement]).fetchone()
    except UnavailableError as error:
        return str(error)
    late_min = float(row[0]) if row and row[0] is not None else 0.0
    return words.format(late_min) if late_min > most_min else None


def _address(host: str, port: int) -> str:
    """Return where ``/readyz`` is asked on this machine."""
    here = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    return f"http://[{here}]:{port}/readyz" if ":" in here else f"http://{here}:{port}/readyz"


def _answer(address: str) -> str | None:
    try:
        with urllib.request.urlopen(address, timeout=ANSWER_S):  # noqa: S310 - our own
            return None
    except urllib.error.HTTPError as error:
        with error:
            said = "; ".join(error.read(2_000).decode(errors="replace").split("\n")).strip("; ")
        return f"not ready ({error.code}): {said}"
    except OSError as error:
        return f"no answer at {address} ({error})"
