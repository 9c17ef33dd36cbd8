"""From the third locked start to ``down`` on the API, with the real programs under load.

    python -m tests.trials.latency [--rate STARTS_A_SECOND] [--units N] [--history-days D] [--failures N] [--seconds S]

Database, broker, intake, watch and pages run as `halfsecond serve` runs them. A made history is loaded, and a made
fleet publishes one start a message at the rate. Meanwhile some units fail three times in a row; what is measured is
the time from handing the third locked start to the broker's client until `/v1/calls` lists the unit as down, by a
reader who asks every 20 ms for each unit that is not yet down.

example:
  python -m tests.trials.latency --rate 1000 --units 5000 --failures 200 --seconds 120
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import tempfile
import threading
import time
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pandas as pd
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from ingest import store
from ingest.database import connect
from ingest.frames import frame
from tests.trials.parts import Parts, eventually, say
from tests.trials.publisher import Publisher

ACCOUNT = "Larkfell Heating (example)"
STARTS_A_DAY = 10
LOCKED = 0.005
"""Share of the background's starts that are locked: each makes its unit be looked at."""
APART_S = 1.0
"""Between the three locked starts of a unit."""
ASK_S = 0.02
PATIENCE_S = 60.0


@dataclass
class Seen:
    """What a run came to; ``waits_s`` from the third locked start to down, one a unit that failed."""

    failed: int = 0
    waits_s: list[float] = field(default_factory=list)
    seconds: float = 0.0
    published: int = 0
    stored: int = 0
    quarantined: int = 0
    backlog: list[int] = field(default_factory=list)
    """Starts acknowledged to the publisher and not yet stored, every two seconds."""
    load: tuple[float, float, float] = (0.0, 0.0, 0.0)


def trial(
    folder: Path, *, rate: float, units: int, history_days: int, failures: int, seconds: float, seed: int = 1
) -> Seen:
    """Run the whole trial and return what was seen.

    Parameters
    ----------
    folder
        For database and broker; other users may enter it.
    rate
        Starts published a second beside those of the units that fail.
    units, failures
        How many publish, and how many others fail.
    history_days
        Of starts that are there before.
    seconds
        How long it is published; the units fail evenly over it.
    """
    seen = Seen(failed=failures)
    names = [f"{n:06d}" for n in range(1, units + failures + 1)]
    with ExitStack() as cleanup:
        parts = Parts(folder, cleanup, ACCOUNT)
        with connect(parts.server.conninfo) as connection:
            _history(connection, names, history_days, seed)
            for name in ("intake", "watch", "pages"):
                parts.begin(name)
            parts.wait_for_intakes(on_disk=False)
            assert eventually(lambda: _count(connection, "dirty_day") == 0, 900), "the first pass takes too long"
            assert _count(connection, "standing") == len(names)
            before = _count(connection, "start")
            say("all units have a verdict; publishing")
            began, load = time.time(), random.Random(seed)

            def make(number: int) -> tuple[str, bytes]:
                at = datetime.fromtimestamp(began + number / rate, UTC)
                outcome = {"outcome": "locked"} if random.Random(number).random() < LOCKED else {"outcome": "ran"}
                return _message(names[number % units], number, at, outcome)

            publisher = Publisher(parts.broker.address, rate, make)
            fails = _Failing(parts, names[units:], seconds, load)
            while fails.goes_on():
                time.sleep(min(2.0, seconds / 4))
                seen.backlog.append(len(publisher.acknowledged) + fails.sent - (_count(connection, "start") - before))
            seen.load = os.getloadavg()
            publisher.end()
            seen.waits_s = fails.end()
            seen.seconds = time.time() - began
            seen.published = len(publisher.acknowledged) + fails.sent
            eventually(lambda: _count(connection, "start") - before >= seen.published, 60)
            seen.stored = _count(connection, "start") - before
            seen.quarantined = _count(connection, "quarantine")
    return seen


class _Failing:
    """Makes units fail one after the other, and asks the pages until each is down."""

    def __init__(self, parts: Parts, names: list[str], seconds: float, luck: random.Random) -> None:
        self.sent = 0
        self._parts, self._total = parts, len(names)
        self._began: dict[str, float] = {}
        self._waits: dict[str, float] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="failing")
        self._client.connect(parts.broker.address.host, parts.broker.address.port)
        self._client.loop_start()
        now = time.monotonic() + 1.0
        third = [(now + (n + luck.random()) * seconds / len(names) + 2 * APART_S, name) for n, name in enumerate(names)]
        self._due = sorted((at - (3 - k) * APART_S, name, k) for at, name in third for k in (1, 2, 3))
        self._last = max(at for at, *_ in self._due)
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._fail, self._ask)]
        for thread in self._threads:
            thread.start()

    def goes_on(self) -> bool:
        return self._threads[1].is_alive()

    def end(self) -> list[float]:
        """Return the waits of those that came to be down."""
        for thread in self._threads:
            thread.join()
        self._client.disconnect()
        self._client.loop_stop()
        return list(self._waits.values())

    def _fail(self) -> None:
        for at, name, try_ in self._due:
            time.sleep(max(0.0, at - time.monotonic()))
            topic, payload = _message(name, 10**6 + try_, datetime.now(UTC), {"outcome": "locked", "retry": try_ - 1})
            if try_ == 3:
                self._began[name] = time.monotonic()
            self._client.publish(topic, payload, qos=1).wait_for_publish(30)
            self.sent += 1

    def _ask(self) -> None:
        with closing(http.client.HTTPConnection(self._parts.listen, timeout=30)) as pages:
            self._ask_until_all_are_down(pages)

    def _ask_until_all_are_down(self, pages: http.client.HTTPConnection) -> None:
        while len(self._waits) < self._total and time.monotonic() < self._last + PATIENCE_S:
            for name, began in list(self._began.items()):
                if name not in self._waits:
                    pages.request("GET", f"/v1/calls?standing=down&q=u-{name}&limit=1")
                    found = json.load(pages.getresponse())["items"]
                    if any(item["unit"] == f"u-{name}" for item in found):
                        self._waits[name] = time.monotonic() - began
            time.sleep(ASK_S)


def _message(name: str, seq: int, at: datetime, told: dict[str, Any]) -> tuple[str, bytes]:
    figures = {"run_up_s": 0.21, "peak_a": 61.5, "line_v": 241.0, "close_deg": 40.0, "off_s": 900, "outdoor_c": -4.0}
    body = {"seq": seq, "at": at.isoformat()} | figures | told
    if told["outcome"] == "locked":
        del body["run_up_s"]
    return f"halfsecond/1/d-{name}/starts", json.dumps(body).encode()


def _history(connection: psycopg.Connection, names: list[str], days: int, seed: int) -> None:
    """Register units and load made starts of the days before today."""
    account_id = store.account(connection, ACCOUNT, create=True)
    plates = {"unit": [f"u-{n}" for n in names], "device": [f"d-{n}" for n in names], "metering": ["txv"] * len(names)}
    store.put_units(connection, account_id, frame("units", plates))
    rng = np.random.default_rng(seed)
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    for day in range(days, 0, -1):
        count = len(names) * STARTS_A_DAY
        at = np.sort(rng.uniform(0, 86400, (len(names), STARTS_A_DAY)), axis=1).ravel()
        outdoor = rng.normal(0, 6, count)
        off_s = rng.uniform(300, 3000, count)
        locked = rng.random(count) < 0.002
        run_up = 0.2 * np.exp(rng.normal(0, 0.04, count) - 0.004 * outdoor)
        table = frame(
            "starts",
            {
                "unit": np.repeat([f"u-{n}" for n in names], STARTS_A_DAY),
                "seq": np.tile(np.arange(STARTS_A_DAY), len(names)) + 100 * (days - day),
                "at": pd.Timestamp(today - timedelta(days=day))
                + pd.to_timedelta((at * 1e6).astype("int64"), unit="us"),
                "outcome": np.where(locked, "locked", "ran"),
                "run_up_s": np.where(locked, np.nan, run_up),
                "peak_a": rng.normal(61, 1, count),
                "line_v": rng.normal(241, 1.5, count),
                "close_deg": rng.uniform(0, 180, count),
                "off_s": off_s,
                "outdoor_c": outdoor,
            },
        )
        store.put_starts(connection, account_id, table)
    say(f"{_count(connection, 'start'):,} starts of {len(names):,} units are there before")


def _count(connection: psycopg.Connection, table: str) -> int:
    row = connection.execute(
        psycopg.sql.SQL("select count(*) from {}").format(psycopg.sql.Identifier(table))
    ).fetchone()
    assert row is not None
    return int(row[0])


def table(seen: Seen) -> str:
    """Return what was seen, for people."""
    p50, p95, p99, most = np.percentile(seen.waits_s, [50, 95, 99, 100]) if seen.waits_s else [float("nan")] * 4
    lines = [
        f"{seen.published:,} starts published in {seen.seconds:.0f} s ({seen.published / seen.seconds:,.0f}/s)",
        f"{seen.stored:,} stored, {seen.quarantined} in quarantine",
        f"{len(seen.waits_s)} of {seen.failed} units that failed were seen down",
        f"third locked start to down: p50 {p50:.2f} s, p95 {p95:.2f} s, p99 {p99:.2f} s, longest {most:.2f} s",
        f"acknowledged and not yet stored, every 2 s: median {np.median(seen.backlog):.0f}, most {max(seen.backlog)}",
        f"load average, 1 and 5 minutes: {seen.load[0]:.1f}, {seen.load[1]:.1f} on {os.cpu_count()} cores",
    ]
    return "\n".join(f"- {line}" for line in lines)


def main() -> int:
    """Run it and print the table; 1 if a unit never came to be down or a start is missing."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.trials.latency", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--units", type=int, default=5000)
    parser.add_argument("--history-days", type=int, default=30)
    parser.add_argument("--failures", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=120.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfsecond-latency-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        seen = trial(folder, **vars(given))
    print(table(seen))
    return 0 if len(seen.waits_s) == seen.failed and seen.stored == seen.published and not seen.quarantined else 1


if __name__ == "__main__":
    raise SystemExit(main())
