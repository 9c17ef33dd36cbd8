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
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest import meters as metering
from ingest.database import connect
from ingest.errors import HalfsecondError, UnavailableError
from ingest.intake import Message, take_in
from ingest.meters import Meters
from ingest.wire import TOPIC_ROOT

KEEPALIVE_S = 60
SESSION_EXPIRY_S = 14 * 86_400
RECEIVE_MAXIMUM = 1_000
BATCH_BYTES = 8_000_000
"""A batch ends with so many bytes too, some 20,000 starts: payloads may hold 500 starts each, or waves."""
_IDLE_S = 0.25
_SHORTEST_WAIT_S = 0.1
_LONGEST_WAIT_S = 15.0
_FAREWELL_S = 5.0

# What a broker says that may be otherwise in a while (MQTT 3.1.1 table 3.1, MQTT 5.0 section 3.2.2.2).
_PASSING = frozenset({"Server unavailable", "Server busy", "Quota exceeded", "Connection rate exceeded"})

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class IntakeSettings:
    """Where intake takes from and stores to.

    ``client_id`` is what the broker keeps the queue under: it must stay the same from run to run, and differ between
    intakes that run side by side. ``share`` names the group of an MQTT shared subscription. ``batch`` is the largest
    number of messages in one transaction, and must not exceed the window that the broker allows in flight;
    ``linger_s`` is how long a batch may wait to fill.
    """

    database: str
    host: str
    port: int = 1883
    user: str | None = None
    password: str | None = None
    protocol: Literal[4, 5] = 4
    client_id: str = "halfsecond-intake"
    batch: int = 1_000
    linger_s: float = 0.05
    metrics_port: int | None = None
    share: str | None = None


class _Pending(NamedTuple):
    mid: int
    qos: int
    topic: str
    payload: bytes
    retained: bool
    received_at: float


@dataclass
class _Link:
    """The connection to the broker as its call-backs leave it."""

    settings: IntakeSettings
    pending: list[_Pending] = field(default_factory=list)

    pending_bytes: int = 0
    waiting_since: float = 0.0
    subscribed: bool = False
    refused: str = ""


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
    link = _Link(settings)
    client = _client(link)
    first, wait_s = True, _SHORTEST_WAIT_S
    try:
        while not stop.is_set():
            try:
                _open(client, settings)
                first = False
                _converse(client, link, connection, settings, stop, meters)
            except OSError as error:
                if first:
                    raise _broker_away(settings, error) from None
                if link.subscribed or wait_s == _SHORTEST_WAIT_S:
                    log.warning("broker is away (%s); waiting for it", error)
                wait_s = _SHORTEST_WAIT_S if link.subscribed else min(2 * wait_s, _LONGEST_WAIT_S)
                _drop(client, link)
                stop.wait(wait_s)
            except (psycopg.OperationalError, psycopg.InterfaceError) as error:
                log.warning("database is away (%s); nothing is acknowledged meanwhile", _line(error))
                _drop(client, link)
                connection.close()
                connection = _database_again(settings, stop) or connection
    finally:
        connection.close()


def _converse(
    client: mqtt.Client,
    link: _Link,
    connection: psycopg.Connection,
    settings: IntakeSettings,
    stop: threading.Event,
    meters: Meters,
) -> None:
    """Read, store and acknowledge until asked to stop; then finish the batch and take leave."""
    while not stop.is_set():
        _read(client, link)
        if link.pending and (_is_full(link) or _age_s(link) >= settings.linger_s):
            _flush(client, link, connection, meters)
        else:
            metering.write_minute(meters, connection)
    _flush(client, link, connection, meters)
    metering.write_minute(meters, connection, at_once=True)
    client.disconnect()
    _write_out(client)


def _read(client: mqtt.Client, link: _Link) -> None:
    """Wait for the network no longer than the batch may, and read what is there until the batch is full."""
    linger_s = link.settings.linger_s
    socket = client.socket()
    if socket is None:
        raise ConnectionError("the connection was lost")
    wait_s = max(0.0, linger_s - _age_s(link)) if link.pending else _IDLE_S
    readable, writable, _ = select.select([socket], [socket] if client.want_write() else [], [], wait_s)
    if writable:
        _check(client.loop_write(), link)
    while readable and not _is_full(link):
        before = len(link.pending)
        _check(client.loop_read(), link)
        if len(link.pending) == before:  # no more messages for now
            break
    _check(client.loop_misc(), link)


def _flush(client: mqtt.Client, link: _Link, connection: psycopg.Connection, meters: Meters) -> None:
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
    _write_out(client)
    meters.unacked.set(0)
    metering.count(meters, len(batch), tallies, time.time() - batch[0].received_at)
    metering.write_minute(meters, connection)


def _write_out(client: mqtt.Client) -> None:
    """Send what is queued, for as long as the other side takes it in reasonable time."""
    until = time.monotonic() + _FAREWELL_S
    while client.want_write() and (socket := client.socket()) is not None:
        _, writable, _ = select.select([], [socket], [], max(0.0, until - time.monotonic()))
        if not writable or client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
            return


def _client(link: _Link) -> mqtt.Client:
    settings = link.settings
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=False if settings.protocol == mqtt.MQTTv311 else None,
        protocol=MQTTProtocolVersion(settings.protocol),
        manual_ack=True,
        userdata=link,
    )
    if settings.user is not None:
        client.username_pw_set(settings.user, settings.password)
    client.on_connect = _on_connect
    client.on_subscribe = _on_subscribe
    client.on_message = _on_message
    # With this set, what is to be sent waits for our own loop instead of being written call by call.
    client.on_socket_register_write = _wait_for_loop
    return client


def _open(client: mqtt.Client, settings: IntakeSettings) -> None:
    if settings.protocol == mqtt.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        client.connect(settings.host, settings.port, KEEPALIVE_S, clean_start=False, properties=properties)
    else:
        client.connect(settings.host, settings.port, KEEPALIVE_S)


def _on_connect(client: mqtt.Client, link: _Link, _flags: mqtt.ConnectFlags, code: ReasonCode, _: Any) -> None:  # noqa: ANN401 - paho's
    if code.is_failure:
        if str(code) not in _PASSING:
            link.refused = f"refuses us ({code})"
        return
    group = f"$share/{link.settings.share}/" if link.settings.share else ""
    client.subscribe(f"{group}{TOPIC_ROOT}/#", qos=1)


def _on_subscribe(_client: mqtt.Client, link: _Link, _mid: int, codes: list[ReasonCode], _: Any) -> None:  # noqa: ANN401 - paho's
    if any(code.is_failure for code in codes):
        link.refused = f"does not let us read {TOPIC_ROOT}/# ({codes[0]})"
    link.subscribed = True


def _on_message(_client: mqtt.Client, link: _Link, message: mqtt.MQTTMessage) -> None:
    try:
        topic = message.topic
    except UnicodeDecodeError:
        topic = "(not UTF-8)"
    if not link.pending:
        link.waiting_since, link.pending_bytes = time.monotonic(), 0
    payload = bytes(message.payload)
    link.pending_bytes += len(payload)
    link.pending.append(_Pending(message.mid, message.qos, topic, payload, message.retain, time.time()))


def _wait_for_loop(_client: mqtt.Client, _link: _Link, _socket: Any) -> None:  # noqa: ANN401 - paho's
    """Do nothing: the loop asks ``want_write``."""


def _check(code: MQTTErrorCode, link: _Link) -> None:
    if link.refused:
        user = link.settings.user or "without a name"
        raise UnavailableError(
            f"broker: {link.settings.host}:{link.settings.port} {link.refused}; check user ({user}), password and rules"
        )
    if code != mqtt.MQTT_ERR_SUCCESS:
        raise ConnectionError(mqtt.error_string(code))


def _drop(client: mqtt.Client, link: _Link) -> None:
    """Forget what is pending and close: the numbers of messages are good for one connection only."""
    link.pending, link.subscribed = [], False
    try:
        client.disconnect()
        _write_out(client)
    except OSError:
        log.debug("no farewell to the broker", exc_info=True)


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


def _is_full(link: _Link) -> bool:
    return len(link.pending) >= link.settings.batch or (bool(link.pending) and link.pending_bytes >= BATCH_BYTES)


def _age_s(link: _Link) -> float:
    return time.monotonic() - link.waiting_since if link.pending else 0.0


def _broker_away(settings: IntakeSettings, error: OSError) -> UnavailableError:
    return UnavailableError(f"broker: cannot be reached at {settings.host}:{settings.port} ({error}); is it running?")


def _line(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
