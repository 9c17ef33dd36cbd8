"""The intake program: from the broker to the table, acknowledging a message only after its rows are committed.

One thread does everything in turn: it reads from the network until a batch is full or its time is up, stores the batch
in one transaction, and then acknowledges. While it stores, it does not read, so that what waits is bounded; whatever
fails ends in the loop below and not in a thread that nobody looks at. Killed at any instant it loses nothing: the
broker keeps what was not acknowledged under this client's fixed name, and rows that come twice fall on their key.
"""

from __future__ import annotations

import logging
import select
import threading
import time
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import psycopg

from ingest import meters as metering
from ingest.database import connect
from ingest.errors import HalfsecondError, UnavailableError
from ingest.intake import Message, take_in
from ingest.link import IntakeSettings, Link, age_s, check, drop, is_full, make_client, open_line, write_out
from ingest.meters import Meters

_IDLE_S = 0.25
_SHORTEST_WAIT_S = 0.1
_LONGEST_WAIT_S = 15.0

log = logging.getLogger(__name__)


def run(settings: IntakeSettings, stop: threading.Event) -> int:
    """Take in messages until asked to stop; return 0 then, or 1 with one line in the log if it cannot go on.

    A broker or a database that goes away is waited for; nothing is acknowledged meanwhile.

    Raises
    ------
    UnavailableError
        Database or broker cannot be reached at the start, or the broker refuses us: one line with the remedy.
    """
    meters = Meters()
    try:
        with metering.served(meters, settings.metrics_port):
            _run(settings, stop, meters)
    except HalfsecondError:
        raise
    except Exception as error:  # the last resort: say why in one line, and let the supervisor see that it ended
        log.error("intake ends: %s: %s", type(error).__name__, " ".join(str(error).split()))  # noqa: TRY400 - one line
        log.debug("intake ends", exc_info=True)
        return 1
    return 0


def _run(settings: IntakeSettings, stop: threading.Event, meters: Meters) -> None:
    connection = connect(settings.database)
    link = Link(settings)
    client = make_client(link)
    first, wait_s = True, _SHORTEST_WAIT_S
    try:
        while not stop.is_set():
            try:
                open_line(client, link)
                first = False
                _converse(client, link, connection, settings, stop, meters)
            except OSError as error:
                if first:
                    raise _broker_away(settings, error) from None
                if link.subscribed or wait_s == _SHORTEST_WAIT_S:
                    log.warning("broker is away (%s); waiting for it", error)
                wait_s = _SHORTEST_WAIT_S if link.subscribed else min(2 * wait_s, _LONGEST_WAIT_S)
                drop(client, link)
                stop.wait(wait_s)
            except (psycopg.OperationalError, psycopg.InterfaceError) as error:
                log.warning("database is away (%s); nothing is acknowledged meanwhile", _line(error))
                drop(client, link)
                connection.close()
                connection = _database_again(settings, stop) or connection
    finally:
        connection.close()


def _converse(
    client: mqtt.Client,
    link: Link,
    connection: psycopg.Connection,
    settings: IntakeSettings,
    stop: threading.Event,
    meters: Meters,
) -> None:
    """Read, store and acknowledge until asked to stop; then finish the batch and take leave."""
    while not stop.is_set():
        _read(client, link)
        if link.pending and (is_full(link) or age_s(link) >= settings.linger_s):
            _flush(client, link, connection, meters)
        else:
            metering.write_minute(meters, connection)
    _flush(client, link, connection, meters)
    metering.write_minute(meters, connection, at_once=True)
    client.disconnect()
    write_out(client)


def _read(client: mqtt.Client, link: Link) -> None:
    """Wait for the network no longer than the batch may, and read what is there until the batch is full."""
    linger_s = link.settings.linger_s
    socket = client.socket()
    if socket is None:
        raise ConnectionError("the connection was lost")
    wait_s = max(0.0, linger_s - age_s(link)) if link.pending else _IDLE_S
    readable, writable, _ = select.select([socket], [socket] if client.want_write() else [], [], wait_s)
    if writable:
        check(client.loop_write(), link)
    while readable and not is_full(link):
        before = len(link.pending)
        check(client.loop_read(), link)
        if len(link.pending) == before:  # no more messages for now
            break
    check(client.loop_misc(), link)


def _flush(client: mqtt.Client, link: Link, connection: psycopg.Connection, meters: Meters) -> None:
    """Store what is pending; acknowledge it once it is committed."""
    if not link.pending:
        return
    batch = link.pending
    meters.unacked.set(len(batch))
    messages = [Message(p.topic, p.payload, datetime.fromtimestamp(p.received_at, UTC), p.retained) for p in batch]
    tallies = take_in(connection, messages)
    link.pending = []
    for pending in batch:
        client.ack(pending.mid, pending.qos)
    write_out(client)
    meters.unacked.set(0)
    metering.count(meters, len(batch), tallies, time.time() - batch[0].received_at)
    metering.write_minute(meters, connection)


def _database_again(settings: IntakeSettings, stop: threading.Event) -> psycopg.Connection | None:
    """Wait for the database with growing pauses; None if asked to stop meanwhile."""
    wait_s = _SHORTEST_WAIT_S
    while not stop.wait(wait_s):
        try:
            connection = connect(settings.database)
        except UnavailableError:
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
        else:
            log.warning("database is back")
            return connection
    return None


def _broker_away(settings: IntakeSettings, error: OSError) -> UnavailableError:
    return UnavailableError(f"broker: cannot be reached at {settings.host}:{settings.port} ({error}); is it running?")


def _line(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


__all__ = ["IntakeSettings", "run"]
