"""Starts drained from a broker's backlog a second, against a bare receive loop and against COPY alone, in one run.

And two intakes that share the messages, against one.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from deploy.embedded import broker as embedded_broker
from deploy.embedded import postgres as embedded_postgres
from deploy.embedded.broker import BrokerAddress
from ingest.database import connect, migrate
from ingest.decode import decode
from ingest.subscriber import IntakeSettings, run
from ingest.wire import START_FIELDS
from tests.bench import plain_copy
from tests.ingest.intake_helpers import announce, count, encode, eventually, intake, publish, register, settings

DEVICES = 500
FORMS = ((1, 20_000), (20, 200_000), (100, 400_000))
"""Starts a payload, and starts in all."""
ROUNDS = 3
SHARED = ((1, 40_000), (100, 400_000))
SHARED_ROUNDS = 3
GROUP = "bench"
BEGIN = datetime(2024, 1, 10, tzinfo=UTC)


def payloads(a_payload: int, starts: int) -> list[tuple[str, bytes]]:
    """Topics and payloads of a fleet's starts, every figure fitted, about 340 bytes a start."""
    made = []
    for number, first in enumerate(range(0, starts, a_payload)):
        told = number // DEVICES * a_payload - first  # a device numbers its own starts, and these are its first
        items = [
            {
                "seq": n + told, "at": (BEGIN + timedelta(seconds=7 * n % 864_000, milliseconds=n)).isoformat(),
                "outcome": "ran", "run_up_s": 0.213, "peak_a": 61.25, "run_a": 12.34, "run_w": 2345.5, "run_pf": 0.93,
                "line_v": 241.2, "line_min_v": 221.25, "close_deg": 91.25, "off_s": 1234.5, "ran_s": 2345.25,
                "outdoor_c": -12.5, "suction_kpa": 412.25, "liquid_kpa": 1622.5, "mode": "heating", "stage": 1,
                "retry": 0,
            }
            for n in range(first, first + a_payload)
        ]  # fmt: skip
        device = 1 + number % DEVICES
        made.append((f"halfsecond/1/d-{device:04d}/starts", encode(*items)))
    return made


def drained_by_intake(wanted: IntakeSettings, connection: psycopg.Connection, starts: int) -> float:
    """Return the seconds that intake takes for a backlog."""
    stop, codes = threading.Event(), list[int]()
    thread = threading.Thread(target=lambda: codes.append(run(wanted, stop)))
    began = time.perf_counter()
    thread.start()
    eventually(lambda: numbered(connection) >= starts, within_s=120)
    taken_s = time.perf_counter() - began
    stop.set()
    thread.join()
    if count(connection, "start") != starts or codes != [0]:
        raise RuntimeError(f"{count(connection, 'start')} of {starts} starts arrived")
    return taken_s


def numbered(connection: psycopg.Connection) -> int:
    """Return how many starts have come by their numbers, which are committed with them: counting these costs little."""
    query = "select coalesce(sum(upper(one) - lower(one)), 0) from device_seq, unnest(received) one"
    row = connection.execute(query).fetchone()
    assert row is not None
    return int(row[0])


def drained_by_processes(wanted: IntakeSettings, connection: psycopg.Connection, starts: int, processes: int) -> float:
    """Return the seconds a start that so many intakes take for a backlog that they share, from the first commit on."""
    with ExitStack() as running:
        for _ in range(processes):
            running.enter_context(intake(wanted))
        eventually(lambda: numbered(connection) > 0, within_s=60)
        began, first = time.perf_counter(), numbered(connection)
        eventually(lambda: numbered(connection) >= starts, within_s=120)
        taken_s = time.perf_counter() - began
    if count(connection, "start") != starts:
        raise RuntimeError(f"{count(connection, 'start')} of {starts} starts arrived")
    return taken_s / (starts - first)


def drained_bare(wanted: IntakeSettings, messages: int) -> float:
    """Return the seconds that paho alone takes to receive and acknowledge a backlog, looking into none of it."""
    done, left = threading.Event(), [messages]

    def on_message(client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        client.ack(message.mid, message.qos)
        left[0] -= 1
        if not left[0]:
            done.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=wanted.client_id, clean_session=False, manual_ack=True)
    client.on_message = on_message
    began = time.perf_counter()
    client.connect(wanted.host, wanted.port)
    client.loop_start()
    if not done.wait(120):
        raise RuntimeError(f"{left[0]} of {messages} messages did not arrive")
    taken_s = time.perf_counter() - began
    client.disconnect()
    client.loop_stop()
    return taken_s


def copied(connection: psycopg.Connection, sent: list[tuple[str, bytes]], rows_a_batch: int) -> float:
    """Return the seconds of binary COPY and merge alone for the same rows, decoded beforehand."""
    now = datetime.now(UTC)
    rows = [
        (*(getattr(good.record, f) for f in START_FIELDS), 1, int(topic.split("/")[2][2:]), now)
        for topic, payload in sent
        for good in decode("starts", payload, now)[0]
    ]
    return plain_copy.copied(connection, rows, rows_a_batch)


def empty(connection: psycopg.Connection) -> None:
    """Let the next measurement begin with the same tables."""
    connection.execute("truncate start, dirty_day, heard, quarantine, intake_minute, device_seq")


def measure(database: str, broker: BrokerAddress, a_payload: int, starts: int) -> tuple[float, float, float]:
    """Return seconds of intake, of the bare loop and of COPY alone: the best of a few rounds taken in turn."""
    sent = payloads(a_payload, starts)
    times: list[tuple[float, float, float]] = []
    with connect(database) as connection:
        register(connection, units=DEVICES)
        for turn in range(ROUNDS + 1):
            wanted = settings(database, broker, client_id=f"bench-{a_payload}-{turn}")
            bare = settings(database, broker, client_id=f"bench-bare-{a_payload}-{turn}")
            # One session at a time: each backlog is published for the one that is to drain it.
            empty(connection)
            announce(wanted)
            publish(broker, sent)
            intake_s = drained_by_intake(wanted, connection, starts)
            forget(wanted)
            announce(bare)
            publish(broker, sent)
            bare_s = drained_bare(bare, len(sent))
            forget(bare)
            empty(connection)
            copy_s = copied(connection, sent, wanted.batch * a_payload)
            if turn:  # the first warms caches and makes the partitions
                times.append((intake_s, bare_s, copy_s))
    best = [min(column) for column in zip(*times, strict=True)]
    return best[0], best[1], best[2]


def measure_shared(database: str, broker: BrokerAddress, a_payload: int, starts: int) -> tuple[float, float]:
    """Return seconds a start of one intake and of two: the best of a few rounds taken in turn."""
    sent = payloads(a_payload, starts)
    times: dict[int, list[float]] = {1: [], 2: []}
    with connect(database) as connection:
        for turn in range(SHARED_ROUNDS):
            for processes, taken in times.items():
                base = f"bench-shared-{a_payload}-{turn}-{processes}"
                wanted = settings(database, broker, client_id=base, share=GROUP)
                members = [replace(wanted, client_id=f"{base}-{number}") for number in range(1, processes + 1)]
                empty(connection)
                for member in members:
                    announce(member, f"$share/{GROUP}/")
                publish(broker, sent)
                taken.append(drained_by_processes(wanted, connection, starts, processes))
                for member in members:
                    forget(member)
    return min(times[1]), min(times[2])


def forget(wanted: IntakeSettings) -> None:
    """End a session at the broker, so that it keeps no more messages for it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=wanted.client_id, clean_session=True)
    client.connect(wanted.host, wanted.port)
    client.loop_start()
    client.disconnect()
    client.loop_stop()


def main() -> None:
    """Print the rates and the ratios."""
    with tempfile.TemporaryDirectory(prefix="halfsecond-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        kind = "mosquitto" if embedded_broker.program() else "iotcore"
        for part in ("database", "broker"):
            (folder / part).mkdir(mode=0o755)
        with (
            embedded_postgres.running(folder / "database") as server,
            embedded_broker.running(folder / "broker", kind, devices=None) as broker,
        ):
            migrate(server.conninfo)
            for a_payload, starts in FORMS:
                intake_s, bare_s, copy_s = measure(server.conninfo, broker.address, a_payload, starts)
                print(
                    f"intake, {a_payload} start{'s' if a_payload > 1 else ''} a payload from {kind}: "
                    f"{starts / intake_s:,.0f} starts/s committed and acknowledged; "
                    f"bare paho receive-and-acknowledge {starts / bare_s:,.0f}/s, ratio {bare_s / intake_s:.2f}; "
                    f"binary COPY and merge of the same rows {starts / copy_s:,.0f}/s, ratio {copy_s / intake_s:.2f}"
                )
                sys.stdout.flush()
            for a_payload, starts in SHARED if kind == "mosquitto" else ():
                one_s, two_s = measure_shared(server.conninfo, broker.address, a_payload, starts)
                print(
                    f"two intakes that share, {a_payload} start{'s' if a_payload > 1 else ''} a payload from {kind}: "
                    f"{1 / two_s:,.0f} starts/s; one intake {1 / one_s:,.0f}/s, ratio {one_s / two_s:.2f}"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    main()
