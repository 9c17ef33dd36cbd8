"""The intake program: from the broker to the table, acknowledging a message only after its rows are committed.

One thread does everything in turn: it reads from the network until a batch is full or its time is up, stores the batch
in one transaction, and then acknowledges. While it stores, it does not read, so that what waits is bounded; whatever
fails ends in the loop below and not in a thread that nobody looks at. Killed at any instant it loses nothing: the
broker keeps what was not acknowledged under this client's fixed name, and rows that come twice fall on their key.
What has come when the broker dies is stored all the same: the broker may have forgotten it.
"""

from __future__ import annotations

import logging
import ssl
import threading
import time
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path

import paho.mqtt.client as mqtt
import psycopg

from ingest import heirs, lease, mapping
from ingest import meters as metering
from ingest.answering import served
from ingest.database import connect
from ingest.errors import HalfsecondError, UnavailableError
from ingest.link import IntakeSettings, Link, drop, make_client, open_line, topic_filters, write_out
from ingest.meters import Meters
from ingest.taking import flush, store, turn

_SHORTEST_WAIT_S = 0.1
_LONGEST_WAIT_S = 15.0
_LEASE_WAIT_S = 1.0
_LEASE_CHECK_S = 5.0
_LAST_WORDS_S = 0.5
_HAND_OVER_S = 20.0
_HEIRS_S = 30.0
# Either end notices within half a minute that the other machine has gone without a word.
_KEEPALIVE = {"keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 25_000}

log = logging.getLogger(__name__)


def run(settings: IntakeSettings, stop: threading.Event) -> int:
    """Take in messages until asked to stop; return 0 then, or 1 with one line in the log if it cannot go on.

    A broker or a database that goes away is waited for; nothing is acknowledged meanwhile. While another intake has
    our name at the broker it is waited for too.

    Raises
    ------
    UnavailableError
        Database or broker cannot be reached at the start, or the broker refuses us: one line with the remedy.
    BadInputError
        A file for TLS or a mapping cannot be used.
    """
    meters = Meters()
    _mappings(settings.mapping)
    try:
        with served(meters, settings.metrics_port, settings.metrics_host):
            _run(settings, stop, meters)
    except HalfsecondError:
        raise
    except Exception as error:  # the last resort: say why in one line, and let the supervisor see that it ended
        log.error("intake ends: %s: %s", type(error).__name__, " ".join(str(error).split()))  # noqa: TRY400 - one line
        log.debug("intake ends", exc_info=True)
        return 1
    return 0


def _run(settings: IntakeSettings, stop: threading.Event, meters: Meters) -> None:
    """Serve over one database connection after the other; each has its own lease on a name at the broker."""
    connection: psycopg.Connection | None = connect(settings.database, **_KEEPALIVE)
    wait_s = _SHORTEST_WAIT_S
    while connection is not None:
        before = meters.batches
        try:
            with closing(connection):
                metering.is_there(meters, "database")
                name = _claim(connection, settings, stop)
                if name is not None:
                    _serve(connection, replace(settings, client_id=name), settings.client_id, stop, meters)
                return
        except (psycopg.OperationalError, psycopg.InterfaceError) as error:
            log.warning("database is away (%s); nothing is acknowledged meanwhile", _line(error))
            metering.is_away(meters, "database", _line(error))
            # A server that answers and yet cannot store, its disk being full, is not asked in a tight loop.
            wait_s = _SHORTEST_WAIT_S if meters.batches > before else min(2 * wait_s, _LONGEST_WAIT_S)
            connection = _database_again(settings, stop, wait_s)


def _claim(connection: psycopg.Connection, settings: IntakeSettings, stop: threading.Event) -> str | None:
    """Take a name at the broker, waiting while it is taken; None if asked to stop meanwhile."""
    numbered = settings.share is not None
    name = lease.claim(connection, settings.client_id, numbered=numbered)
    if name is None:
        who = lease.holder(connection, settings.client_id)
        log.warning("the name %s at the broker is taken by %s; waiting for it", settings.client_id, who)
        while name is None:
            if stop.wait(_LEASE_WAIT_S):
                return None
            name = lease.claim(connection, settings.client_id, numbered=numbered)
        log.warning("the name %s is ours now", name)
    elif numbered:
        log.warning("shares the messages under the name %s", name)
    return name


def _serve(
    connection: psycopg.Connection, settings: IntakeSettings, base: str, stop: threading.Event, meters: Meters
) -> None:
    """Take in over one connection to the broker after the other, until asked to stop or the database goes away."""
    link = Link(settings, _mappings(settings.mapping))
    client = make_client(link)
    wait_s = _SHORTEST_WAIT_S
    try:
        while not stop.is_set():
            try:
                _check_lease(connection, settings)
                open_line(client, link)
                meters.reached = True
                _converse(client, link, connection, base, stop, meters)
            except OSError as error:
                if not meters.reached:
                    raise _broker_away(settings, error) from None
                if link.subscribed or wait_s == _SHORTEST_WAIT_S:
                    log.warning("broker is away (%s); waiting for it", error)
                metering.is_away(meters, "broker", str(error))
                wait_s = _SHORTEST_WAIT_S if link.subscribed else min(2 * wait_s, _LONGEST_WAIT_S)
                # The broker may have been killed with these on no disk; if it was not, they come again, as doubles.
                store(link, link.pending, connection, meters)
                drop(client, link)
                stop.wait(wait_s)
    finally:
        metering.is_away(meters, "broker", "not asked while the database is away")
        drop(client, link)


def _converse(
    client: mqtt.Client,
    link: Link,
    connection: psycopg.Connection,
    base: str,
    stop: threading.Event,
    meters: Meters,
) -> None:
    """Read, store and acknowledge until asked to stop; then finish the batch and take leave."""
    checked_at = looked_at = time.monotonic()
    while not stop.is_set():
        turn(client, link, connection, meters)
        if link.subscribed and "broker" in meters.away:
            metering.is_there(meters, "broker")
        if time.monotonic() - checked_at > _LEASE_CHECK_S:
            _check_lease(connection, link.settings)
            checked_at = time.monotonic()
        if link.settings.share is not None and time.monotonic() - looked_at > _HEIRS_S:
            heirs.take_over(connection, link, base, meters)
            looked_at = time.monotonic()
    if link.settings.share is not None:
        _hand_over(client, link, connection, meters)
    flush(client, link, connection, meters)
    metering.write_minute(meters, connection, at_once=True)
    client.disconnect()
    write_out(client)


def _hand_over(client: mqtt.Client, link: Link, connection: psycopg.Connection, meters: Meters) -> None:
    """Leave the group, and take in what the broker has already set aside for us: no other intake would get it."""
    client.unsubscribe(topic_filters(link))
    until, heard_at = time.monotonic() + _HAND_OVER_S, time.monotonic()
    while time.monotonic() < min(until, heard_at + _LAST_WORDS_S):
        before = meters.batches
        turn(client, link, connection, meters)
        if link.pending or meters.batches > before:
            heard_at = time.monotonic()


@cache
def _mappings(path: str | None) -> tuple[mapping.Source, ...]:
    """Read the mappings of other loggers, once: what is mended while we run counts from the next start on."""
    return mapping.load(Path(path)) if path else ()


def _check_lease(connection: psycopg.Connection, settings: IntakeSettings) -> None:
    """See that the database answers and the name is still ours."""
    if not lease.holds(connection, settings.client_id):
        raise psycopg.OperationalError(f"the lease on the name {settings.client_id} is lost")


def _database_again(settings: IntakeSettings, stop: threading.Event, wait_s: float) -> psycopg.Connection | None:
    """Wait for the database with growing pauses; None if asked to stop meanwhile."""
    while not stop.wait(wait_s):
        try:
            connection = connect(settings.database, **_KEEPALIVE)
        except UnavailableError:
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        else:
            log.warning("database is back")
            return connection
    return None


def _broker_away(settings: IntakeSettings, error: OSError) -> UnavailableError:
    where = f"{settings.host}:{settings.port}"
    if isinstance(error, ssl.SSLError):
        return UnavailableError(
            f"broker: {where} speaks no TLS that we trust ({_line(error)}); check its certificate, the name on it, and "
            "HALFSECOND_BROKER_TLS_CA"
        )
    return UnavailableError(f"broker: cannot be reached at {where} ({error}); is it running?")


def _line(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


__all__ = ["IntakeSettings", "run"]
