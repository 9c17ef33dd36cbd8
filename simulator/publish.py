"""Publishes a simulated fleet as its loggers would: each under its own name, in time order, acknowledged one by one.

What lies before ``since`` goes out at full speed, piled up in arrays as after a time off line; what follows is paced
by the fleet's own clock. Now and then a message comes twice, late, or out of order: that is what loggers do.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

import msgspec
import numpy as np
import pandas as pd
from tqdm import tqdm

from ingest.wire import MAX_ITEMS, TOPIC_ROOT
from simulator import waves
from simulator.connections import Connections
from simulator.files import records
from simulator.fleet import Fleet

KINDS = ("starts", "rests", "events")
FIRMWARE = "simulated 1"
WINDOW = timedelta(days=5)
"""What a logger piles up into one payload while catching up."""
STATUS_S = 3600.0
STATUS_WALL_S = 1.0
"""Status hourly by the fleet's clock, but no oftener than this by the wall's."""
TICK_S = 0.05
CLEAR_S = 8.0
"""From energising until a logger has sent: the outcome is clear, the figures are made, s."""
TWICE = 0.01
LATE = 0.02
LATE_S = 5400.0
"""Share of messages sent twice, share sent late, and how late at most [s of the fleet's clock]."""

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
class Message:
    """One payload: which device sends it, of what kind, how many records, the newest ``seq``, and when [s, UTC]."""

    due_s: float
    device: str
    kind: str
    count: int
    seq: int
    payload: bytes


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
    sent: dict[str, int] = {}
    with (
        Connections(broker, {d: passwords.get(d) for d in device.values()}, stop) as connections,
        tqdm(total=sum(map(len, tables.values())), unit="record", desc="publish", disable=not progress) as bar,
    ):

        def send(message: Message) -> None:
            topic = f"{TOPIC_ROOT}/{message.device}/{message.kind}"
            if not connections.send(message.device, topic, message.payload, message.count):
                return
            bar.update(message.count)
            if message.kind == "starts":
                sent[message.device] = max(sent.get(message.device, 0), message.seq)

        connections.open()
        for message in _history(old, rng):
            if stop.is_set():
                break
            send(message)
        connections.drain()
        if since is not None:
            _tell(connections, sent)
            _live(connections, list(_singles(new, _waves(fleet), rng)), since, speed, stop, send, sent)
            connections.drain()
        connections.close()
    return {kind: connections.acknowledged[kind] for kind in KINDS}


def _history(tables: Mapping[str, pd.DataFrame], rng: np.random.Generator) -> Iterator[Message]:
    """Yield what loggers have piled up, some days at a time and the devices of each span in any order."""
    times = [table["at"] for table in tables.values() if len(table)]
    if not times:
        return
    edge, end = min(t.min() for t in times), max(t.max() for t in times)
    while edge <= end:
        span = []
        for kind, table in tables.items():
            part = table[(table["at"] >= edge) & (table["at"] < edge + WINDOW)]
            for device, rows in part.groupby("device", sort=True):
                parts = range(0, len(rows), MAX_ITEMS)
                span += [_message(kind, str(device), rows.iloc[first : first + MAX_ITEMS]) for first in parts]
        for place in rng.permutation(len(span)).tolist():
            yield span[place]
            if rng.random() < TWICE:
                yield span[place]
        edge += WINDOW


def _message(kind: str, device: str, rows: pd.DataFrame) -> Message:
    items = records(rows.drop(columns=["unit", "device"]))
    due_s = rows["at"].iloc[-1].timestamp() + CLEAR_S
    return Message(due_s, device, kind, len(items), items[-1]["seq"], _ENCODER.encode(items))


def _singles(
    tables: Mapping[str, pd.DataFrame], sampled: Mapping[tuple[str, int], Any], rng: np.random.Generator
) -> Iterator[Message]:
    """Yield one message a record, due when a logger would send it; some twice, some late."""
    for kind, table in tables.items():
        items = records(table.drop(columns=["unit", "device"]))
        for item, device, at in zip(items, table["device"], table["at"], strict=True):
            due_s = at.timestamp() + CLEAR_S + (item["t_s"][-1] if kind == "rests" else item.get("run_up_s", 1.0))
            inputs = sampled.get((device, item["seq"])) if kind == "starts" else None
            told = item if inputs is None else waves.with_wave(item, waves.wave(*waves.sampled(**inputs), rng))
            luck = rng.random()
            if luck < LATE:
                due_s += float(rng.uniform(0, LATE_S))
            message = Message(due_s, device, kind, 1, item["seq"], _ENCODER.encode(told))
            yield message
            if luck > 1 - TWICE:
                yield message


def _waves(fleet: Fleet) -> dict[tuple[str, int], dict[str, Any]]:
    """Return what the wave of a start is made of, by device and number, for those that are sent as waves."""
    device = dict(zip(fleet.units["unit"], fleet.units["device"], strict=True))
    rows: list[dict[str, Any]] = fleet.waves.to_dict("records")  # type: ignore[assignment] # its keys are text
    return {(device[row.pop("unit")], row.pop("seq")): row for row in rows}


def _live(
    connections: Connections,
    messages: list[Message],
    since: datetime,
    speed: float,
    stop: threading.Event,
    send: Callable[[Message], None],
    sent: dict[str, int],
) -> None:
    """Send each message when the fleet's clock has come to it, and everyone's status every hour of that clock."""
    messages.sort(key=lambda message: message.due_s)
    first = since.astimezone(UTC).timestamp()
    begun = last_status = time.monotonic()
    status_s = first
    place = 0
    while place < len(messages) and not stop.is_set():
        wall = time.monotonic()
        now_s = first + (wall - begun) * speed
        while place < len(messages) and messages[place].due_s <= now_s and not stop.is_set():
            send(messages[place])
            place += 1
        if now_s - status_s >= STATUS_S and wall - last_status >= STATUS_WALL_S:
            _tell(connections, sent)
            status_s, last_status = now_s, wall
        connections.pump(TICK_S)


def _tell(connections: Connections, sent: Mapping[str, int]) -> None:
    """Have every device say that it is on line, and how far it has sent."""
    for device in connections.devices:
        status = {"online": True, "firmware": FIRMWARE, "clock_ok": True, "sent": sent.get(device, 0)}
        connections.send(device, f"{TOPIC_ROOT}/{device}/status", _ENCODER.encode(status), retain=True)
