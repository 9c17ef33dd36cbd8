"""Publishes a simulated fleet as its loggers would: each under its own name, in time order, acknowledged one by one.

What lies before ``since`` goes out at full speed, piled up in arrays as after a time off line; what follows is paced
by the fleet's own clock. Now and then a message comes twice, late, or out of order, a logger goes off line and sends
in bursts what it kept, and one says that its clock is wrong: that is what loggers do.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

import msgspec
import numpy as np
import pandas as pd
from tqdm import tqdm

from ingest.wire import TOPIC_ROOT
from simulator import messages
from simulator.connections import Connections
from simulator.fleet import Fleet
from simulator.messages import KINDS, LEAVE, RETURN, Message, Spell

FIRMWARE = "simulated 1"
STATUS_S = 3600.0
STATUS_WALL_S = 1.0
"""Status hourly by the fleet's clock, but no oftener than this by the wall's."""
TICK_S = 0.05

_ENCODER = msgspec.json.Encoder()


class Broker(Protocol):
    """Where the broker is."""

    @property
    def host(self) -> str:
        """Host name or address."""

    @property
    def port(self) -> int:
        """TCP port."""

    @property
    def protocol_version(self) -> int:
        """4 for MQTT 3.1.1, 5 for 5."""


@dataclass(frozen=True)
class Loggers:
    """The loggers' connections, how far each has sent, when their clocks are wrong, and which are off line."""

    connections: Connections
    wrong_clock: Mapping[str, Spell]
    sent: dict[str, int] = field(default_factory=dict)
    away: set[str] = field(default_factory=set)


def publish(
    fleet: Fleet,
    broker: Broker,
    passwords: Mapping[str, str | None],
    *,
    speed: float = 3600.0,
    since: datetime | None = None,
    stop: threading.Event | None = None,
    progress: bool = False,
) -> dict[str, int]:
    """Publish a fleet's starts, rests and events, and the status of its loggers.

    Parameters
    ----------
    fleet : Fleet
        What to publish; every unit has a device.
    broker : Broker
        Host, port and protocol version of the broker.
    passwords : mapping
        Device to its password at the broker; a device that is not in it signs in without.
    speed : float
        Seconds of the fleet's clock for each second of the wall's, from ``since`` on; infinity: as fast as can be.
    since : datetime, optional
        What lies before it goes out at full speed; None: all of it.
    stop : threading.Event, optional
        Set it, and publishing ends within a fraction of a second.
    progress : bool
        Show a bar on stderr.

    Returns
    -------
    dict
        Kind to the number of records that the broker has acknowledged, those sent twice counted twice.

    Raises
    ------
    UnavailableError
        The broker cannot be reached at first, or refuses a device.
    """
    stop = stop or threading.Event()
    rng = np.random.default_rng(20)
    device = dict(zip(fleet.units["unit"], fleet.units["device"], strict=True))
    tables = {kind: getattr(fleet, kind) for kind in KINDS}
    tables = {kind: table.assign(device=table["unit"].map(device)) for kind, table in tables.items()}
    live_from = pd.Timestamp(since) if since is not None else pd.Timestamp.max.tz_localize("UTC")
    old = {kind: table[table["at"] < live_from] for kind, table in tables.items()}
    new = {kind: table[table["at"] >= live_from] for kind, table in tables.items()}
    with (
        Connections(broker, {d: passwords.get(d) for d in device.values()}, stop) as connections,
        tqdm(total=sum(map(len, tables.values())), unit="record", desc="publish", disable=not progress) as bar,
    ):
        loggers = Loggers(connections, messages.wrong_clocks(fleet))

        def send(message: Message) -> None:
            topic = f"{TOPIC_ROOT}/{message.device}/{message.kind}"
            if not connections.send(message.device, topic, message.payload, message.count):
                return
            bar.update(message.count)
            if message.kind == "starts":
                loggers.sent[message.device] = max(loggers.sent.get(message.device, 0), message.seq)

        connections.open()
        for message in messages.history(old, rng):
            if stop.is_set():
                break
            send(message)
        connections.drain()
        if since is not None:
            first_s = since.astimezone(UTC).timestamp()
            _tell(loggers, connections.devices, first_s)
            _live(loggers, messages.live(fleet, new, first_s, rng), first_s, speed, stop, send)
            connections.drain()
        connections.close()
    return {kind: connections.acknowledged[kind] for kind in KINDS}


def _live(
    loggers: Loggers,
    due: list[Message],
    first_s: float,
    speed: float,
    stop: threading.Event,
    send: Callable[[Message], None],
) -> None:
    """Send each message when the fleet's clock has come to it, and everyone's status every hour of that clock."""
    begun = last_status = time.monotonic()
    status_s = first_s
    place = 0
    while place < len(due) and not stop.is_set():
        wall = time.monotonic()
        now_s = first_s + (wall - begun) * speed
        while place < len(due) and due[place].due_s <= now_s and not stop.is_set():
            message = due[place]
            if message.kind == LEAVE:
                loggers.away.add(message.device)
                loggers.connections.leave(message.device)
            elif message.kind == RETURN:
                loggers.away.discard(message.device)
                loggers.connections.come_back(message.device)
                _tell(loggers, [message.device], message.due_s)
            else:
                send(message)
            place += 1
        if now_s - status_s >= STATUS_S and wall - last_status >= STATUS_WALL_S:
            _tell(loggers, loggers.connections.devices, now_s)
            status_s, last_status = now_s, wall
        loggers.connections.pump(TICK_S)


def _tell(loggers: Loggers, devices: Iterable[str], now_s: float) -> None:
    """Have devices that are on line say so, whether their clock has been set, and how far they have sent."""
    for device in devices:
        if device in loggers.away:
            continue
        wrong = loggers.wrong_clock.get(device)
        status = {
            "online": True,
            "firmware": FIRMWARE,
            "clock_ok": wrong is None or not wrong.from_s <= now_s < wrong.to_s,
            "sent": loggers.sent.get(device, 0),
        }
        topic = f"{TOPIC_ROOT}/{device}/status"
        loggers.connections.send(device, topic, _ENCODER.encode(status), retain=True)
