"""The line to the broker: its settings, the client with its call-backs, and the messages that wait to be stored.

Nothing here has a thread of its own: the loop of :mod:`ingest.subscriber` reads and writes, and the call-backs only
note what came.
"""

from __future__ import annotations

import logging
import select
import time
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.errors import UnavailableError
from ingest.mapping import Source, filters
from ingest.readahead import Client
from ingest.tls import Tls, context
from ingest.wire import TOPIC_ROOT

KEEPALIVE_S = 60
SESSION_EXPIRY_S = 14 * 86_400
RECEIVE_MAXIMUM = 1_000
BATCH_BYTES = 8_000_000
"""A batch ends with so many bytes too, some 20,000 starts: payloads may hold 500 starts each, or waves."""
ANSWER_S = 20.0
_FAREWELL_S = 5.0
# What a broker says that may be otherwise in a while (MQTT 3.1.1 table 3.1, MQTT 5.0 section 3.2.2.2).
_PASSING = frozenset({"Server unavailable", "Server busy", "Quota exceeded", "Connection rate exceeded"})

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class IntakeSettings:
    """Where intake takes from and stores to.

    ``client_id`` is what the broker keeps the queue under: it must stay the same from run to run. ``share`` names the
    group of an MQTT shared subscription: intakes that run side by side have the same settings, and each takes a number
    behind ``client_id`` (see :mod:`ingest.lease`). ``tls`` is None for a line in clear text. ``batch`` is the largest
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
    metrics_host: str = "127.0.0.1"
    share: str | None = None
    tls: Tls | None = None
    mapping: str | None = None


class Pending(NamedTuple):
    """A message that waits to be stored; ``mid`` is good for acknowledging on this connection only."""

    mid: int
    qos: int
    topic: str
    payload: bytes
    retained: bool
    received_at: float


@dataclass
class Link:
    """The connection to the broker as its call-backs leave it.

    ``leaving`` says that we come to end a subscription and not to begin one; ``kept`` whether the broker had a session.
    ``subscribed`` is set once the broker has answered the one or the other. ``window`` is how many messages the broker
    sends and then waits for us, once that is known to be less than a batch; ``stalled`` the size of the last batch if
    it ended by its time.
    """

    settings: IntakeSettings
    mappings: tuple[Source, ...] = ()
    leaving: bool = False
    kept: bool = False
    pending: list[Pending] = field(default_factory=list)
    pending_bytes: int = 0
    waiting_since: float = 0.0
    opened_at: float = 0.0
    subscribed: bool = False
    window: int = 0
    stalled: int = 0
    refused: str = ""


def topic_filters(link: Link, *, shared: bool = True) -> list[str]:
    """Return what intake subscribes to: everything of ours and of other loggers that are mapped, or its share of it."""
    group = f"$share/{link.settings.share}/" if link.settings.share and shared else ""
    return [f"{group}{one}" for one in (f"{TOPIC_ROOT}/#", *filters(link.mappings))]


def write_out(client: mqtt.Client) -> None:
    """Send what is queued, for as long as the other side takes it in reasonable time."""
    until = time.monotonic() + _FAREWELL_S
    while client.want_write() and (socket := client.socket()) is not None:
        _, writable, _ = select.select([], [socket], [], max(0.0, until - time.monotonic()))
        if not writable or client.loop_write() != mqtt.MQTT_ERR_SUCCESS:
            return


def make_client(link: Link, *, clean: bool = False) -> mqtt.Client:
    """Return a client that notes what comes in ``link`` and acknowledges nothing of itself."""
    settings = link.settings
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=clean if settings.protocol == mqtt.MQTTv311 else None,
        protocol=MQTTProtocolVersion(settings.protocol),
        manual_ack=True,
        userdata=link,
    )
    if settings.user is not None:
        client.username_pw_set(settings.user, settings.password)
    if settings.tls is not None:
        client.tls_set_context(context(settings.tls))
    client.on_connect = _on_connect
    client.on_subscribe = _on_subscribe
    client.on_unsubscribe = _on_unsubscribe
    client.on_message = _on_message
    # With this set, what is to be sent waits for our own loop instead of being written call by call.
    client.on_socket_register_write = _wait_for_loop
    return client


def forget(settings: IntakeSettings) -> None:
    """Have the broker forget the session under a name, with all that waits in it."""
    link = Link(settings, leaving=True)
    client = make_client(link, clean=True)
    try:
        if settings.protocol == mqtt.MQTTv5:
            client.connect(settings.host, settings.port, KEEPALIVE_S, clean_start=True)
        else:
            client.connect(settings.host, settings.port, KEEPALIVE_S)
        until = time.monotonic() + _FAREWELL_S
        while not link.subscribed and (socket := client.socket()) is not None and time.monotonic() < until:
            if has_more(client) or select.select([socket], [], [], 0.1)[0]:
                check(client.loop_read(), link)
            write_out(client)
    finally:
        drop(client, link)


def open_line(client: mqtt.Client, link: Link) -> None:
    """Connect, asking for the session that the broker keeps."""
    settings = link.settings
    link.opened_at = time.monotonic()
    if settings.protocol == mqtt.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = min(65_535, max(RECEIVE_MAXIMUM, settings.batch))
        client.connect(settings.host, settings.port, KEEPALIVE_S, clean_start=False, properties=properties)
    else:
        client.connect(settings.host, settings.port, KEEPALIVE_S)


def _on_connect(client: mqtt.Client, link: Link, flags: mqtt.ConnectFlags, code: ReasonCode, _: Any) -> None:  # noqa: ANN401 - paho's
    if code.is_failure:
        if str(code) not in _PASSING:
            link.refused = f"refuses us ({code})"
        return
    link.kept = flags.session_present
    if link.leaving:
        if link.kept:
            client.unsubscribe(sorted({*topic_filters(link), *topic_filters(link, shared=False)}))
        else:
            link.subscribed = True
        return
    client.subscribe([(one, 1) for one in topic_filters(link)])


def _on_subscribe(_client: mqtt.Client, link: Link, _mid: int, codes: list[ReasonCode], _: Any) -> None:  # noqa: ANN401 - paho's
    refused = [(one, code) for one, code in zip(topic_filters(link), codes, strict=False) if code.is_failure]
    if refused:
        link.refused = f"does not let us read {refused[0][0]} ({refused[0][1]})"
    link.subscribed = True


def _on_unsubscribe(_client: mqtt.Client, link: Link, _mid: int, _codes: list[ReasonCode], _: Any) -> None:  # noqa: ANN401 - paho's
    if link.leaving:
        link.subscribed = True


def _on_message(_client: mqtt.Client, link: Link, message: mqtt.MQTTMessage) -> None:
    try:
        topic = message.topic
    except UnicodeDecodeError:
        topic = "(not UTF-8)"
    if not link.pending:
        link.waiting_since, link.pending_bytes = time.monotonic(), 0
    payload = bytes(message.payload)
    link.pending_bytes += len(payload)
    link.pending.append(Pending(message.mid, message.qos, topic, payload, message.retain, time.time()))


def _wait_for_loop(_client: mqtt.Client, _link: Link, _socket: Any) -> None:  # noqa: ANN401 - paho's
    """Do nothing: the loop asks ``want_write``."""


def check(code: MQTTErrorCode, link: Link) -> None:
    """Raise for what the network or the broker said.

    Raises
    ------
    UnavailableError
        The broker refuses us.
    ConnectionError
        The line is broken.
    """
    if link.refused:
        user = link.settings.user or "without a name"
        raise UnavailableError(
            f"broker: {link.settings.host}:{link.settings.port} {link.refused}; check user ({user}), password and rules"
        )
    if code != mqtt.MQTT_ERR_SUCCESS:
        raise ConnectionError(mqtt.error_string(code))
    if not link.subscribed and time.monotonic() - link.opened_at > ANSWER_S:
        # An answer that is lost would leave us connected and deaf for ever.
        raise ConnectionError("no answer to our subscription")


def has_more(client: mqtt.Client) -> bool:
    """Tell whether more has come than was read: the socket itself shows nothing of what is read ahead or decrypted."""
    socket = client.socket()
    return socket is not None and getattr(socket, "pending", int)() > 0


def drop(client: mqtt.Client, link: Link) -> None:
    """Forget what is pending and close: the numbers of messages are good for one connection only."""
    link.pending, link.subscribed, link.window, link.stalled = [], False, 0, 0
    try:
        client.disconnect()
        write_out(client)
    except OSError:
        log.debug("no farewell to the broker", exc_info=True)


def is_full(link: Link) -> bool:
    """Tell whether the batch is as large as it may get, in messages or in bytes."""
    return len(link.pending) >= (link.window or link.settings.batch) or (
        bool(link.pending) and link.pending_bytes >= BATCH_BYTES
    )


def note_batch(link: Link) -> None:
    """Learn from a batch that is about to be stored whether the broker waits for us before it sends more.

    Many a broker has so small a window of unacknowledged messages (mosquitto by default 20) that a batch never fills.
    Two in a row that ended by their time with the same number of messages look like it; then batches end at that.
    """
    size = 0 if is_full(link) else len(link.pending)
    if size > 1 and size == link.stalled:
        link.window = size
    link.stalled = size


def note_more(link: Link) -> None:
    """Learn from messages that came while a whole batch was unacknowledged: the window is larger than that."""
    if link.pending:
        link.window = 0


def age_s(link: Link) -> float:
    """Return how long the oldest pending message has waited; 0 without one."""
    return time.monotonic() - link.waiting_since if link.pending else 0.0
