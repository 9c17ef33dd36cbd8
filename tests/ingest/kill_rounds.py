"""Kills intake, broker and database by SIGKILL at random moments while starts are published, and counts the rows.

    python -m tests.ingest.kill_rounds [--rounds N] [--rate STARTS_A_SECOND] [--intakes N] [--again-s S] [--seed S]

One start a message. A start counts as published once the broker has acknowledged it. As the wire asks of a logger, the
publisher sends again what it sent in the last seconds before its connection broke (--again-s 0: it does not): a broker
that is killed has forgotten what it had not yet written to its disk. What is seen goes to standard output.
"""

from __future__ import annotations

import argparse
import random
import signal
import tempfile
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from deploy.embedded import broker as embedded_broker
from deploy.embedded import postgres as embedded_postgres
from deploy.embedded.broker import BrokerAddress
from deploy.embedded.process import free_port
from ingest.database import connect, migrate
from tests.ingest.intake_helpers import count, encode, eventually, intake, register, settings, start

DEVICES = 20
UNDER_WAY = 400
MOST_WAITING = 50_000
# Each commit must outlive the kill of the server; what outlives a power failure is not asked here.
DURABLE = {"fsync": "off", "synchronous_commit": "on"}


@dataclass
class Seen:
    """What a run came to: kills by part, starts acknowledged to the publisher, rows, and rows that are there twice."""

    kills: Counter[str] = field(default_factory=Counter)
    published: int = 0
    sent_again: int = 0
    rows: int = 0
    doubles: int = 0
    quarantined: int = 0


class Publisher:
    """A logger for many devices: so many starts a second with QoS 1, over connection after connection."""

    def __init__(self, address: BrokerAddress, rate: float, again_s: float) -> None:
        self.acknowledged: set[int] = set()
        self.sent_again = 0
        self._rate, self._again_s = rate, again_s
        self._waiting: deque[int] = deque()
        self._under_way: deque[tuple[int, int]] = deque()
        self._done: set[int] = set()
        self._recent: deque[tuple[float, int]] = deque()
        self._lost = threading.Event()
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="publisher", clean_session=False)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = lambda _client, _data, mid, *_: self._done.add(mid)
        self._client.on_disconnect = lambda *_: self._lost.set()
        self._client.connect(address.host, address.port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Publish no new ones; return once all are acknowledged."""
        self._stop.set()
        self._thread.join()
        assert not self._under_way, (len(self._under_way), len(self._waiting))
        self._client.disconnect()
        self._client.loop_stop()

    def _send(self, number: int) -> None:
        topic = f"halfsecond/1/d-{1 + number % DEVICES:04d}/starts"
        self._under_way.append((number, self._client.publish(topic, encode(start(number)), qos=1).mid))

    def _note(self) -> None:
        """Note what the broker has acknowledged since: in the order in which it was sent."""
        now = time.monotonic()
        while self._under_way and self._under_way[0][1] in self._done:
            number, mid = self._under_way.popleft()
            self._done.discard(mid)
            self.acknowledged.add(number)
            self._recent.append((now, number))
        while self._recent and self._recent[0][0] < now - 60:
            self._recent.popleft()

    def _work(self) -> None:
        began, number = time.monotonic(), 0
        until = float("inf")
        while time.monotonic() < until and (self._waiting or self._under_way or not self._stop.is_set()):
            time.sleep(0.01)
            self._note()
            if self._lost.is_set() and self._client.is_connected():
                self._lost.clear()
                self._send_again()
            if self._stop.is_set():
                until = min(until, time.monotonic() + 120)
            elif len(self._waiting) < MOST_WAITING:
                due = int((time.monotonic() - began) * self._rate)
                self._waiting.extend(range(number, due))
                number = max(number, due)
            # The client library looks through all that it holds at each acknowledgement: give it little.
            while self._waiting and len(self._under_way) < UNDER_WAY and self._client.is_connected():
                self._send(self._waiting.popleft())

    def _send_again(self) -> None:
        last = self._recent[-1][0] if self._recent else 0.0
        again = {number for at, number in self._recent if at >= last - self._again_s} if self._again_s else set()
        again -= {*self._waiting, *(number for number, _ in self._under_way)}
        self.sent_again += len(again)
        self._waiting.extendleft(sorted(again, reverse=True))


def rounds(
    folder: Path,
    number: int,
    *,
    rate: float = 1000.0,
    intakes: int = 1,
    again_s: float = 5.0,
    seed: int = 1,
    say: Callable[[str], None] = lambda _: None,
) -> Seen:
    """Kill one part a round, at a random moment, and return what was seen at the end.

    Parameters
    ----------
    folder
        For database and broker; other users may enter it.
    number
        Of rounds.
    rate
        Starts published a second.
    intakes
        How many share the messages; one takes them alone.
    again_s
        What was sent so long before a connection broke is sent again.
    """
    seen, luck = Seen(), random.Random(seed)
    with ExitStack() as cleanup:
        parts = _Parts(folder, intakes, cleanup)
        publisher = Publisher(parts.broker.address, rate, again_s)
        choices = ["broker", "database", *[f"intake {n + 1}" for n in range(intakes)]]
        for turn in range(number):
            time.sleep(luck.uniform(0.2, 4.0))
            part = luck.choice(choices)
            parts.kill(part)
            time.sleep(luck.uniform(0.0, 0.5))
            parts.begin(part)
            seen.kills[part.split()[0]] += 1
            say(f"round {turn + 1}: {part}; {len(publisher.acknowledged)} published")
        publisher.end()
        seen.published, seen.sent_again = len(publisher.acknowledged), publisher.sent_again
        with connect(parts.server.conninfo) as connection:
            eventually(lambda: count(connection, "start") >= seen.published, 60)
            seen.rows = count(connection, "start")
            distinct = connection.execute("select count(distinct (unit_id, seq)) from start").fetchone()
            seen.doubles = seen.rows - int(distinct[0]) if distinct else -1
            seen.quarantined = count(connection, "quarantine")
    return seen


class _Parts:
    """Database, broker and intakes, each of which can be killed and begun again."""

    def __init__(self, folder: Path, intakes: int, cleanup: ExitStack) -> None:
        self.folder, self.broker_port = folder, free_port()
        self.server = embedded_postgres.start(folder, options=DURABLE)
        cleanup.callback(lambda: embedded_postgres.halt(self.server))
        migrate(self.server.conninfo)
        with connect(self.server.conninfo) as connection:
            register(connection, units=DEVICES)
        self.broker = embedded_broker.start(folder, "mosquitto", None, self.broker_port)
        cleanup.callback(lambda: embedded_broker.halt(self.broker))
        share = "intake" if intakes > 1 else None
        self.wanted = settings(self.server.conninfo, self.broker.address, share=share)
        self.intakes: dict[str, ExitStack] = {}
        self.processes: dict[str, Any] = {}
        cleanup.callback(lambda: [each.close() for each in self.intakes.values()])
        for number in range(intakes):
            self.begin(f"intake {number + 1}")
        # The sessions must be there, and on the broker's disk, before anything is published.
        assert eventually(lambda: all(self._is_ready(name) for name in self.intakes), 30)
        time.sleep(3.0)

    def _is_ready(self, _name: str) -> bool:
        with psycopg.connect(self.server.conninfo) as connection:
            row = connection.execute("select count(*) from pg_locks where locktype = 'advisory'").fetchone()
        return bool(row and row[0] >= len(self.intakes))

    def kill(self, part: str) -> None:
        process = {"broker": self.broker.process, "database": self.server.process}.get(part) or self.processes[part]
        process.send_signal(signal.SIGKILL)
        process.wait()

    def begin(self, part: str) -> None:
        if part == "database":
            self.server = embedded_postgres.start(self.folder, self.server.port, options=DURABLE)
        elif part == "broker":
            self.broker = embedded_broker.start(self.folder, "mosquitto", None, self.broker_port)
        else:
            if part in self.intakes:
                self.intakes[part].close()
            self.intakes[part] = ExitStack()
            self.processes[part] = self.intakes[part].enter_context(intake(self.wanted))
        self._revive()

    def _revive(self) -> None:
        """Begin an intake again that ended by itself because a part was away at its start, as a supervisor would."""
        for name, process in list(self.processes.items()):
            if process.poll() is not None:
                self.intakes[name].close()
                self.intakes[name] = ExitStack()
                self.processes[name] = self.intakes[name].enter_context(intake(self.wanted))


def main() -> int:
    """Run the rounds and say whether rows stored = starts published."""
    parser = argparse.ArgumentParser(prog="python -m tests.ingest.kill_rounds")
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--intakes", type=int, default=1)
    parser.add_argument("--again-s", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfsecond-rounds-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        began = time.monotonic()
        seen = rounds(
            folder,
            given.rounds,
            rate=given.rate,
            intakes=given.intakes,
            again_s=given.again_s,
            seed=given.seed,
            say=lambda line: print(line, flush=True),
        )
    print(f"{seen} in {time.monotonic() - began:.0f} s")
    return 0 if seen.rows == seen.published and not seen.doubles and not seen.quarantined else 1


if __name__ == "__main__":
    raise SystemExit(main())
