"""Starts drained from a broker's backlog a second, against a bare receive loop and against COPY alone, in one run.

And two intakes that share the messages, against one. A round takes all in turn, within seconds; a ratio is the median
of the rounds' ratios, so that a machine that was slow for a while does not decide it.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from deploy.embedded import broker as embedded_broker
from deploy.embedded import postgres as embedded_postgres
from deploy.embedded.broker import Broker
from deploy.embedded.postgres import Postgres
from ingest import intake as storing
from ingest import subscriber, taking
from ingest.database import connect, migrate
from ingest.decode import decode
from ingest.subscriber import IntakeSettings, run
from ingest.wire import START_FIELDS
from tests.bench import plain_copy, shares
from tests.ingest.intake_helpers import announce, count, encode, intake, publish, register, settings

DEVICES = 500
FORMS = ((1, 30_000), (20, 200_000), (100, 400_000))
"""Starts a payload, and starts in all."""
ROUNDS = 5
SHARED = ((1, 40_000), (100, 400_000))
SHARED_ROUNDS = 3
GROUP = "bench"
ASK_S = 0.05
"""Between two looks at how far intake is, which cost it a little."""
STAGES = {
    "waiting for messages": (subscriber, "turn"),
    "reading in the client library": (taking, "_read_there"),
    "acknowledging": (taking, "flush"),
    "counting": (taking, "store"),
    "decoding and checking": (storing, "sort"),
    "writing and waiting for the database": (storing, "write"),
}
BEGIN = datetime(2024, 1, 10, tzinfo=UTC)


@dataclass
class Measured:
    """What the rounds came to: seconds a start by round, intake's time by stage, and CPU seconds by program."""

    intake_s: list[float] = field(default_factory=list)
    bare_s: list[float] = field(default_factory=list)
    copy_s: list[float] = field(default_factory=list)
    stages: Counter[str] = field(default_factory=Counter)
    cpu_s: Counter[str] = field(default_factory=Counter)

    def ratio(self, peer: list[float]) -> str:
        """Return the median and the extremes of the rounds' ratios of a peer's time to ours."""
        ratios = sorted(theirs / ours for theirs, ours in zip(peer, self.intake_s, strict=True))
        return f"{median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f})"


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


def drained_by_intake(wanted: IntakeSettings, connection: psycopg.Connection, starts: int) -> tuple[float, float]:
    """Return the seconds that intake takes for a backlog, and those of CPU that its thread has used."""
    stop, codes, used_s = threading.Event(), list[int](), list[float]()

    def work() -> None:
        codes.append(run(wanted, stop))
        used_s.append(time.thread_time())

    thread = threading.Thread(target=work)
    began = time.perf_counter()
    thread.start()
    until(lambda: numbered(connection) >= starts)
    taken_s = time.perf_counter() - began
    stop.set()
    thread.join()
    if count(connection, "start") != starts or codes != [0]:
        raise RuntimeError(f"{count(connection, 'start')} of {starts} starts arrived")
    return taken_s, used_s[0]


def until(condition: Callable[[], bool]) -> None:
    """Wait until a condition comes true, two minutes at most."""
    end = time.monotonic() + 120
    while not condition() and time.monotonic() < end:
        time.sleep(ASK_S)


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
        until(lambda: numbered(connection) > 0)
        began, first = time.perf_counter(), numbered(connection)
        until(lambda: numbered(connection) >= starts)
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


def measure(server: Postgres, broker: Broker, a_payload: int, starts: int) -> Measured:
    """Drain backlogs by intake and by the bare loop, and copy the same rows, round after round."""
    sent, found = payloads(a_payload, starts), Measured()
    programs = {"the database": server.process.pid, "the broker": broker.process.pid}
    with connect(server.conninfo) as connection:
        register(connection, units=DEVICES)
        for turn in range(ROUNDS + 1):
            wanted = settings(server.conninfo, broker.address, client_id=f"bench-{a_payload}-{turn}")
            bare = settings(server.conninfo, broker.address, client_id=f"bench-bare-{a_payload}-{turn}")
            # One session at a time: each backlog is published for the one that is to drain it.
            empty(connection)
            announce(wanted)
            publish(broker.address, sent)
            before = {name: shares.cpu_s(process) for name, process in programs.items()}
            with shares.by_stage(STAGES) as stages:
                intake_s, used_s = drained_by_intake(wanted, connection, starts)
            cpu_s = {name: shares.cpu_s(process) - before[name] for name, process in programs.items()}
            forget(wanted)
            announce(bare)
            publish(broker.address, sent)
            bare_s = drained_bare(bare, len(sent))
            forget(bare)
            empty(connection)
            copy_s = copied(connection, sent, wanted.batch * a_payload)
            if turn:  # the first warms caches and makes the partitions
                found.intake_s.append(intake_s / starts)
                found.bare_s.append(bare_s / starts)
                found.copy_s.append(copy_s / starts)
                found.stages += stages
                found.cpu_s += Counter({"intake": used_s} | cpu_s)
            say(f"{a_payload} a payload, round {turn} of {ROUNDS}: {bare_s / intake_s:.2f}, {copy_s / intake_s:.2f}")
    return found


def measure_shared(server: Postgres, broker: Broker, a_payload: int, starts: int) -> tuple[list[float], list[float]]:
    """Return seconds a start of one intake and of two, round after round."""
    sent = payloads(a_payload, starts)
    times: dict[int, list[float]] = {1: [], 2: []}
    with connect(server.conninfo) as connection:
        for turn in range(SHARED_ROUNDS):
            for processes, taken in times.items():
                base = f"bench-shared-{a_payload}-{turn}-{processes}"
                wanted = settings(server.conninfo, broker.address, client_id=base, share=GROUP)
                members = [replace(wanted, client_id=f"{base}-{number}") for number in range(1, processes + 1)]
                empty(connection)
                for member in members:
                    announce(member, f"$share/{GROUP}/")
                publish(broker.address, sent)
                taken.append(drained_by_processes(wanted, connection, starts, processes))
                for member in members:
                    forget(member)
            say(f"two that share, {a_payload} a payload, round {turn + 1}: {times[1][-1] / times[2][-1]:.2f}")
    return times[1], times[2]


def forget(wanted: IntakeSettings) -> None:
    """End a session at the broker, so that it keeps no more messages for it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=wanted.client_id, clean_session=True)
    client.connect(wanted.host, wanted.port)
    client.loop_start()
    client.disconnect()
    client.loop_stop()


def say(line: str) -> None:
    """Tell of progress, beside what is kept."""
    print(line, file=sys.stderr, flush=True)


def main() -> None:
    """Print the rates, the ratios, and where intake's time went."""
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
                found = measure(server, broker, a_payload, starts)
                form = f"{a_payload} start{'s' if a_payload > 1 else ''} a payload"
                print(
                    f"intake, {form} from {kind}: {1 / median(found.intake_s):,.0f} starts/s committed and "
                    f"acknowledged; bare paho receive-and-acknowledge {1 / median(found.bare_s):,.0f}/s, ratio "
                    f"{found.ratio(found.bare_s)}; binary COPY and merge of the same rows "
                    f"{1 / median(found.copy_s):,.0f}/s, ratio {found.ratio(found.copy_s)}"
                )
                used = {name: 1e6 * seconds / starts / ROUNDS for name, seconds in found.cpu_s.items()}
                print(
                    f"of intake's time at {form}: {shares.percent(found.stages)}; CPU a start: "
                    f"{', '.join(f'{name} {us:.1f} us' for name, us in used.items())}"
                )
                sys.stdout.flush()
            for a_payload, starts in SHARED if kind == "mosquitto" else ():
                one_s, two_s = measure_shared(server, broker, a_payload, starts)
                ratios = sorted(one / two for one, two in zip(one_s, two_s, strict=True))
                print(
                    f"two intakes that share, {a_payload} start{'s' if a_payload > 1 else ''} a payload from {kind}: "
                    f"{1 / median(two_s):,.0f} starts/s; one intake {1 / median(one_s):,.0f}/s, ratio "
                    f"{median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f})"
                )
                sys.stdout.flush()


if __name__ == "__main__":
    main()
