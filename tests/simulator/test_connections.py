"""Connections that break: a logger sends again what the broker may have forgotten, as `ingest/WIRE.md` asks."""

from __future__ import annotations

import json
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from deploy.embedded import broker as embedded_broker
from deploy.embedded.broker import BrokerAddress
from simulator.connections import Connections

pytestmark = [pytest.mark.stack, pytest.mark.mosquitto]

DEVICE = "d-0001"
STARTS = f"halfsecond/1/{DEVICE}/starts"
STATUS = f"halfsecond/1/{DEVICE}/status"
ONLINE = b'{"online":true,"sent":3}'


class Subscriber:
    """Hears what a broker has for it; its session outlives its connection, and what comes meanwhile waits for it."""

    def __init__(self, address: BrokerAddress) -> None:
        self.seqs: list[int] = []
        self.statuses: list[bool] = []
        self._subscribed = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "subscriber", clean_session=False)
        self._client.on_connect = lambda client, *_: client.subscribe("halfsecond/1/#", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = lambda _client, _data, message: self._hear(message)
        self._client.connect(address.host, address.port)
        self._client.loop_start()
        assert self._subscribed.wait(10)

    def _hear(self, message: mqtt.MQTTMessage) -> None:
        if message.topic == STATUS:
            self.statuses.append(json.loads(message.payload)["online"])
        else:
            self.seqs.append(json.loads(message.payload)["seq"])

    def leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def payload(seq: int) -> bytes:
    return json.dumps({"seq": seq, "at": "2026-01-14T12:03:07Z", "outcome": "ran"}).encode()


def pump(connections: Connections, until: Callable[[], bool], within_s: float = 15.0) -> bool:
    """Serve the connections until a condition holds; tell whether it came to hold in time."""
    end = time.monotonic() + within_s
    while not until() and time.monotonic() < end:
        connections.pump(0.05)
    return until()


def test_after_a_cut_the_last_seconds_before_it_are_sent_again_and_what_is_older_is_not(
    mosquitto: BrokerAddress,
) -> None:
    subscriber = Subscriber(mosquitto)
    with Connections(mosquitto, {DEVICE: None}, threading.Event(), again_s=1.0) as connections:
        connections.open()
        connections.send(DEVICE, STATUS, ONLINE, retain=True)
        connections.send(DEVICE, STARTS, payload(1))
        connections.drain()
        pump(connections, lambda: False, 1.5)
        for seq in (2, 3):
            connections.send(DEVICE, STARTS, payload(seq))
        connections.drain()
        connections.leave(DEVICE)
        assert pump(connections, lambda: False in subscriber.statuses)
        connections.come_back(DEVICE)
        connections.drain()
        assert pump(connections, lambda: len(subscriber.seqs) >= 5)
        pump(connections, lambda: False, 0.5)
        assert Counter(subscriber.seqs) == {1: 1, 2: 2, 3: 2}
        # The last will said that it was gone; back again it says at once that it is there.
        assert subscriber.statuses == [True, False, True]
        connections.close()
    subscriber.leave()


def test_a_broker_killed_hard_just_after_it_acknowledged_costs_no_record(data_folder: Path) -> None:
    first = embedded_broker.start(data_folder, "mosquitto", None)
    Subscriber(first.address).leave()
    time.sleep(3.0)  # the broker writes its sessions every two seconds
    stop = threading.Event()
    with Connections(first.address, {DEVICE: None}, stop) as connections:
        connections.open()
        for seq in range(200):
            connections.send(DEVICE, STARTS, payload(seq))
        connections.drain()
        assert connections.acknowledged["starts"] == 200
        first.process.kill()
        first.process.wait()
        second = embedded_broker.start(data_folder, "mosquitto", None, first.address.port)
        try:
            assert pump(connections, lambda: connections.acknowledged["starts"] == 400)
            connections.close()
            subscriber = Subscriber(second.address)
            end = time.monotonic() + 10
            while set(subscriber.seqs) != set(range(200)) and time.monotonic() < end:
                time.sleep(0.05)
            assert set(subscriber.seqs) == set(range(200))
            subscriber.leave()
        finally:
            embedded_broker.halt(second)
