"""The broker connections of many simulated loggers, one each, served by one thread."""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
import time
from collections import Counter, deque
from collections.abc import Mapping
from types import TracebackType
from typing import Any, NamedTuple, Protocol, Self, cast

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from ingest.errors import UnavailableError
from ingest.wire import TOPIC_ROOT

UNDER_WAY = 400
"""Messages sent and not yet acknowledged, over all devices: beyond it, wait."""
OPEN_S = 60.0
KEEPALIVE_S = 60
RETRY_S = 1.0
AGAIN_S = 5.0
"""What was acknowledged so long before the last acknowledgement on a connection that broke is sent again."""
OFFLINE = b'{"online":false}'


class Address(Protocol):
    """Where a broker is."""

    @property
    def host(self) -> str:
        """Host name or address."""

    @property
    def port(self) -> int:
        """TCP port."""

    @property
    def protocol_version(self) -> int:
        """4 for MQTT 3.1.1, 5 for 5."""


class _Sent(NamedTuple):
    """A message handed to the client: to which topic, how many records, and when it was acknowledged, 0 until then."""

    topic: str
    payload: bytes
    records: int
    at: float = 0.0


class Connections:
    """One MQTT connection a device, with its last will; a lost one is made anew.

    Then the device says again what its status is, since the broker has told its last will, and sends again what was
    under way and what was acknowledged in the last seconds: a broker that was killed has forgotten what it had not yet
    written.
    """

    def __init__(
        self,
        address: Address,
        passwords: Mapping[str, str | None],
        stop: threading.Event,
        again_s: float = AGAIN_S,
    ) -> None:
        self._address = address
        self._stop = stop
        self._again_s = again_s
        self._clients = {device: self._client(device, password) for device, password in passwords.items()}
        self._selector = selectors.DefaultSelector()
        self._watched: dict[str, Any] = {}
        self._ready: set[str] = set()
        self._refused: str | None = None
        self._under_way: dict[tuple[str, int], _Sent] = {}
        self._recent: dict[str, deque[_Sent]] = {device: deque() for device in passwords}
        self._status: dict[str, _Sent] = {}
        self._lost: set[str] = set()
        self.acknowledged: Counter[str] = Counter()
        self._tried: dict[str, float] = {}
        self._away: set[str] = set()
        self._served = 0.0
        self._closing = False

    def __enter__(self) -> Self:
        """Return itself; `open` connects."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of all sockets."""
        self._closing = True
        for client in self._clients.values():
            client.disconnect()
        self._selector.close()

    @property
    def devices(self) -> list[str]:
        """The devices' names."""
        return list(self._clients)

    def open(self) -> None:
        """Connect every device.

        Raises
        ------
        UnavailableError
            The broker does not answer, or refuses a device.
        """
        for device in self._clients:
            self._connect(device, first=True)
        until = time.monotonic() + OPEN_S
        while len(self._ready) < len(self._clients) and not self._stop.is_set():
            self.pump(0.05)
            if time.monotonic() > until:
                left = len(self._clients) - len(self._ready)
                raise UnavailableError(f"{self._where}: {left} devices got no answer from the broker; is it running?")

    def send(self, device: str, topic: str, payload: bytes, count: int = 1, *, retain: bool = False) -> bool:
        """Send one message with QoS 1, waiting while too many are under way; told to stop, it sends nothing."""
        while len(self._under_way) >= UNDER_WAY and not self._stop.is_set():
            self.pump(0.05)
        if self._stop.is_set():
            return False
        message = _Sent(topic, payload, count)
        if retain:
            self._status[device] = message
        self._hand_over(device, message, retain=retain)
        self.pump(0.0)
        return True

    def drain(self) -> None:
        """Wait until all is acknowledged and no lost connection is to be made up for, or until told to stop."""
        while (self._under_way or self._lost - self._away) and not self._stop.is_set():
            self.pump(0.05)

    def pump(self, wait_s: float) -> None:
        """Serve the sockets: read, write, keep alive, connect anew; wait at most so long for something to do."""
        self._watch()
        for key, events in self._selector.select(wait_s):
            client = self._clients[key.data]
            if events & selectors.EVENT_READ:
                client.loop_read()
            if events & selectors.EVENT_WRITE and client.want_write():
                client.loop_write()
        for device in sorted(self._lost & self._ready):
            self._lost.discard(device)
            self._send_again(device)
        now = time.monotonic()
        if now - self._served >= RETRY_S:
            self._served = now
            for device, client in self._clients.items():
                client.loop_misc()
                if client.socket() is None and device in self._tried and device not in self._away:
                    self._connect(device, first=False)
        if self._refused is not None and not self._closing:
            raise UnavailableError(self._refused)

    def leave(self, device: str) -> None:
        """Break a device's connection without a good-bye, as a router that goes off does, and make no other.

        The broker then tells of it by the last will; what is sent meanwhile waits.
        """
        self._away.add(device)
        if (link := self._clients[device].socket()) is not None:
            with contextlib.suppress(OSError):
                cast(socket.socket, link).shutdown(socket.SHUT_RDWR)

    def come_back(self, device: str) -> None:
        """Let a device that left connect anew, within a second or so."""
        self._away.discard(device)

    def close(self) -> None:
        """Say good-bye for every device."""
        self._closing = True
        for device, client in self._clients.items():
            client.publish(f"{TOPIC_ROOT}/{device}/status", OFFLINE, qos=0, retain=True)
        for _ in range(5):
            self.pump(0.02)

    def _hand_over(self, device: str, message: _Sent, *, retain: bool = False) -> None:
        """Give the client a message; without a connection just now, it keeps it and sends it on the next one."""
        handed = self._clients[device].publish(message.topic, message.payload, qos=1, retain=retain)
        assert handed.rc in {MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN}, handed.rc
        self._under_way[device, handed.mid] = message

    def _send_again(self, device: str) -> None:
        """Say again what the device's status is, and what a broker that was killed may have forgotten."""
        if (status := self._status.get(device)) is not None:
            self._hand_over(device, status, retain=True)
        recent = self._recent[device]
        again = list(recent)
        recent.clear()
        for message in again:
            self._hand_over(device, message)

    @property
    def _where(self) -> str:
        return f"{self._address.host}:{self._address.port}"

    def _client(self, device: str, password: str | None) -> mqtt.Client:
        version = MQTTProtocolVersion(self._address.protocol_version)
        clean = None if version == MQTTProtocolVersion.MQTTv5 else True
        client = mqtt.Client(CallbackAPIVersion.VERSION2, device, clean_session=clean, protocol=version)
        if password is not None:
            client.username_pw_set(device, password)
        client.will_set(f"{TOPIC_ROOT}/{device}/status", OFFLINE, qos=1, retain=True)
        client.max_inflight_messages_set(20)

        def connected(
            _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
        ) -> None:
            if reason.is_failure:
                self._refused = f"{self._where}: the broker refuses device {device} ({reason}); check its password"
            else:
                self._ready.add(device)

        def lost(*_: object) -> None:
            if device in self._ready and not self._closing:
                self._ready.discard(device)
                self._lost.add(device)

        def acknowledged(_client: mqtt.Client, _data: object, mid: int, _reason: object, _properties: object) -> None:
            message = self._under_way.pop((device, mid), None)
            if message is None:
                return
            kind = message.topic.rsplit("/", 1)[1]
            self.acknowledged[kind] += message.records
            if kind != "status":
                now, recent = time.monotonic(), self._recent[device]
                recent.append(message._replace(at=now))
                while recent and recent[0].at < now - self._again_s:
                    recent.popleft()

        client.on_connect, client.on_publish, client.on_disconnect = connected, acknowledged, lost
        return client

    def _connect(self, device: str, *, first: bool) -> None:
        self._tried[device] = time.monotonic()
        try:
            self._clients[device].connect(self._address.host, self._address.port, KEEPALIVE_S)
        except OSError as error:
            if first:
                text = f"{self._where}: no broker answers there ({error.strerror or error}); start it or name another"
                raise UnavailableError(text) from error

    def _watch(self) -> None:
        """Have the selector look at the sockets that there are now, and for writing only where there is something."""
        now = {device: client.socket() for device, client in self._clients.items()}
        # Closed ones go first: a new socket may have been given the number of an old one of another device.
        for device, (link, _) in list(self._watched.items()):
            if now[device] is not link:
                self._selector.unregister(link)
                del self._watched[device]
        for device, link in now.items():
            if link is None:
                continue
            events = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._clients[device].want_write() else 0)
            before = self._watched.get(device)
            if before is None:
                self._selector.register(link, events, device)
            elif before[1] != events:
                self._selector.modify(link, events, device)
            self._watched[device] = (link, events)
