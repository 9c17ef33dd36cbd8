"""What a name at the broker left behind: the messages set aside for an intake that does not come back.

A broker goes on giving a killed intake its share of a subscription, and queues it under its name. Another intake of
the group takes such a name for a moment, leaves the group in it, takes in what waits, and ends the session. So too
with the name of an intake that had everything alone, before there was a group.
"""

from __future__ import annotations

import logging
import time
from dataclasses import replace

import psycopg

from ingest import lease
from ingest.link import IntakeSettings, Link, drop, forget, make_client, open_line, write_out
from ingest.meters import Meters
from ingest.taking import flush, turn

LOOKED_AT = 16
"""Numbers that are looked at: as many intakes as may share and be missed."""
LAST_WORDS_S = 0.5
_PASS_S = 10.0

log = logging.getLogger(__name__)


def take_over(connection: psycopg.Connection, of: Link, base: str, meters: Meters) -> None:
    """Take in what was left under the names of the group that nobody has now; at most some seconds of it a call.

    Parameters
    ----------
    connection
        Holds the lease on our own name, and takes that of each other one for as long as it is looked at.
    of
        Our own line to the broker: the same settings serve, under another name.
    base
        What the names of the group begin with.

    Raises
    ------
    OSError
        The broker is away.
    psycopg.OperationalError
        The database is.
    """
    until = time.monotonic() + _PASS_S
    for name in (base, *(f"{base}-{number}" for number in range(1, LOOKED_AT + 1))):
        if name == of.settings.client_id or time.monotonic() > until:
            continue
        if lease.claim(connection, name, numbered=False) is None:
            continue
        try:
            _take_over_one(connection, replace(of.settings, client_id=name), of, meters, until)
        finally:
            if not connection.broken:
                lease.release(connection, name)


def _take_over_one(
    connection: psycopg.Connection, settings: IntakeSettings, of: Link, meters: Meters, until: float
) -> None:
    link = Link(settings, of.mappings, leaving=True)
    client = make_client(link)
    before = meters.batches
    try:
        open_line(client, link)
        heard_at = time.monotonic()
        while not (link.subscribed and (not link.kept or time.monotonic() > heard_at + LAST_WORDS_S)):
            count = meters.batches
            turn(client, link, connection, meters)
            if link.pending or meters.batches > count or not link.subscribed:
                heard_at = time.monotonic()
            if time.monotonic() > until:  # the rest is for the next time; it stays where it is
                return
        flush(client, link, connection, meters)
        client.disconnect()
        write_out(client)
        forget(settings)
    finally:
        drop(client, link)
        if meters.batches > before:
            log.warning("took in what was left under the name %s", settings.client_id)
