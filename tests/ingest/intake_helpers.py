"""What the tests of intake share: a registered fleet, payloads, a publisher, and intake as a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from deploy.embedded.broker import BrokerAddress
from ingest import store
from ingest.frames import frame
from ingest.subscriber import IntakeSettings

AT = "2024-01-14T12:00:00Z"
# Intake as a program: SIGTERM asks it to stop, and what it logs goes to stderr.
PROGRAM = """
import json, signal, sys, threading
from ingest.errors import HalfsecondError
from ingest.subscriber import IntakeSettings, run
from ingest.tls import Tls
stop = threading.Event()
signal.signal(signal.SIGTERM, lambda *_: stop.set())
try:
    given = json.loads(sys.argv[1])
    tls = given.pop("tls")
    raise SystemExit(run(IntakeSettings(**given, tls=tls and Tls(**tls)), stop))
except HalfsecondError as error:
    print(error, file=sys.stderr)
    raise SystemExit(2)
"""


def register(connection: psycopg.Connection, units: int = 1, name: str = "Larkfell Heating (example)") -> int:
    """Make an account with units u-0001... and their devices d-0001...; return its number."""
    account_id = store.account(connection, name, create=True)
    numbers = [f"{n:04d}" for n in range(1, units + 1)]
    store.put_units(
        connection,
        account_id,
        frame("units", {"unit": [f"u-{n}" for n in numbers], "device": [f"d-{n}" for n in numbers]}),
    )
    return account_id


def start(seq: int, **fields: Any) -> dict[str, Any]:
    """A start as a logger sends it; one a minute."""
    day, minute = 1 + seq // 1440 % 28, seq % 1440
    at = f"2024-01-{day:02d}T{minute // 60:02d}:{minute % 60:02d}:00Z"
    return {"seq": seq, "at": at, "outcome": "ran", "run_up_s": 0.21, "peak_a": 61.5, "line_v": 241.0} | fields


def encode(*items: Any) -> bytes:
    """One item as an object, several as an array."""
    return json.dumps(items[0] if len(items) == 1 else items).encode()


def settings(database: str, broker: BrokerAddress, **changes: Any) -> IntakeSettings:
    batch = 100 if broker.kind == "iotcore" else 1000
    return IntakeSettings(**{"database": database, "host": broker.host, "port": broker.port, "batch": batch} | changes)


@contextmanager
def intake(wanted: IntakeSettings) -> Iterator[subprocess.Popen[str]]:
    """Run intake as a process while the block runs; it is killed at the end if it still runs."""
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, json.dumps(asdict(wanted))], stderr=subprocess.PIPE, text=True
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@contextmanager
def intake_thread(wanted: IntakeSettings) -> Iterator[threading.Event]:
    """Run intake in a thread while the block runs, and see that it ends well."""
    from ingest.subscriber import run  # noqa: PLC0415 - beside the process, which imports it itself

    stop = threading.Event()
    codes: list[int] = []
    thread = threading.Thread(target=lambda: codes.append(run(wanted, stop)))
    thread.start()
    try:
        yield stop
    finally:
        stop.set()
        thread.join(20)
    assert codes == [0]


def announce(wanted: IntakeSettings, group: str = "") -> None:
    """Let intake's session come to be at the broker, so that what is published before it runs is kept for it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=wanted.client_id, clean_session=False)
    done = threading.Event()
    client.on_connect = lambda c, *_: c.subscribe(f"{group}halfsecond/1/#", qos=1)
    client.on_subscribe = lambda *_: done.set()
    client.connect(wanted.host, wanted.port)
    client.loop_start()
    assert done.wait(10)
    client.disconnect()
    client.loop_stop()


def publish(broker: BrokerAddress, messages: Iterable[tuple[str, bytes]]) -> int:
    """Publish messages with QoS 1 and return how many when the broker has acknowledged every one."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="publisher-of-the-test")
    client.max_inflight_messages_set(100)
    client.connect(broker.host, broker.port)
    client.loop_start()
    sent = [client.publish(topic, payload, qos=1) for topic, payload in messages]
    for info in sent:
        info.wait_for_publish(60)
    assert all(info.is_published() for info in sent)
    client.disconnect()
    client.loop_stop()
    return len(sent)


def eventually(condition: Callable[[], bool], within_s: float = 30.0) -> bool:
    """Tell whether a condition comes true in time."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if condition():
            return True
        time.sleep(0.01)
    return condition()


def count(connection: psycopg.Connection, table: str) -> int:
    row = connection.execute(
        psycopg.sql.SQL("select count(*) from {}").format(psycopg.sql.Identifier(table))
    ).fetchone()
    assert row is not None
    return int(row[0])
