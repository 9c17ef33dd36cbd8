"""One turn of intake over one connection to the broker: read, store, acknowledge."""

from __future__ import annotations

import select
import time
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import psycopg

from ingest import meters as metering
from ingest.intake import Message, take_in
from ingest.link import Link, Pending, age_s, check, has_more, is_full, note_batch, note_more, write_out
from ingest.meters import Meters

_IDLE_S = 0.25


def turn(client: mqtt.Client, link: Link, connection: psycopg.Connection, meters: Meters) -> None:
    """Read what has come, and store and acknowledge it if the batch is full or its time is up."""
    _read(client, link)
    if link.pending and (is_full(link) or age_s(link) >= link.settings.linger_s):
        flush(client, link, connection, meters)
    else:
        metering.write_minute(meters, connection)


def _read(client: mqtt.Client, link: Link) -> None:
    """Wait for the network no longer than the batch may, and read what is there until the batch is full."""
    linger_s = link.settings.linger_s
    socket = client.socket()
    if socket is None:
        raise ConnectionError("the connection was lost")
    wait_s = max(0.0, linger_s - age_s(link)) if link.pending else _IDLE_S
    waiting = has_more(client)
    readable, writable, _ = select.select(
        [socket], [socket] if client.want_write() else [], [], 0.0 if waiting else wait_s
    )
    # First read: a write that finds the line broken closes it, and what had come over it would be gone.
    if readable or waiting:
        _read_there(client, link)
    if writable:
        check(client.loop_write(), link)
    check(client.loop_misc(), link)


def _read_there(client: mqtt.Client, link: Link) -> None:
    """Read what has come, without waiting, until the batch is full."""
    while not is_full(link):
        before = len(link.pending)
        check(client.loop_read(), link)
        if len(link.pending) == before:  # no more messages for now
            break


def flush(client: mqtt.Client, link: Link, connection: psycopg.Connection, meters: Meters) -> None:
    """Store what is pending; acknowledge it once it is committed."""
    if not link.pending:
        return
    note_batch(link)
    batch = link.pending
    meters.unacked.set(len(batch))
    store(link, batch, connection, meters)
    link.pending = []
    # What came meanwhile is read before the acknowledgements are written, for the same reason as above.
    _read_there(client, link)
    note_more(link)
    for pending in batch:
        client.ack(pending.mid, pending.qos)
    write_out(client)
    meters.unacked.set(len(link.pending))
    metering.write_minute(meters, connection)


def store(link: Link, batch: list[Pending], connection: psycopg.Connection, meters: Meters) -> None:
    """Store messages, and count them."""
    if not batch:
        return
    messages = [Message(p.topic, p.payload, datetime.fromtimestamp(p.received_at, UTC), p.retained) for p in batch]
    tallies = take_in(connection, messages, link.mappings)
    metering.count(meters, len(batch), tallies, time.time() - batch[0].received_at)
