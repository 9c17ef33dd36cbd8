"""A day of a fleet's traffic, replayed fast, while parts are killed, stopped and frozen at random: the books balance.

    python -m tests.trials.outages [--units N] [--hours H] [--speed X] [--days-before D] [--seed S]

The simulated loggers publish as `simulator.publish` does, each over a connection of its own, with what they send
twice, late and out of order. Every 10 to 40 s a part is killed (SIGKILL), stopped in order, or frozen (SIGSTOP) and let
go again, and is away for up to 15 s. At the end every record published must be stored once, or be in quarantine. A
table tells the memory of each part and the connections to the database over time.

example:
  python -m tests.trials.outages --units 1000 --hours 24 --speed 100
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import tempfile
import threading
import time
from collections import Counter
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import LiteralString

import numpy as np
import pandas as pd
import psycopg
from psycopg import sql

from deploy import serve
from deploy.settings import Settings
from ingest import store
from ingest.database import connect
from ingest.errors import UnavailableError
from simulator import fleet as fleets
from simulator.fleet import Fleet
from simulator.publish import publish
from tests.trials.parts import Parts, eventually, say

ACCOUNT = "Larkfell Heating (example)"
PROGRAMS = serve.PROGRAMS
PARTS = ("broker", "database", *PROGRAMS)
TABLES = {"starts": "start", "rests": "rest", "events": "event"}
EVERY_S = (10.0, 40.0)
AWAY_S = (0.5, 15.0)
SAMPLE_S = 5.0
NAMED = 20
"""So many of the units whose records are missing are named."""


@dataclass
class Seen:
    """What a run came to, records by kind."""

    published: dict[str, int] = field(default_factory=dict)
    acknowledged: dict[str, int] = field(default_factory=dict)
    """By the broker, what was sent twice counted twice."""
    stored: dict[str, int] = field(default_factory=dict)
    missing: dict[str, int] = field(default_factory=dict)
    strange: dict[str, int] = field(default_factory=dict)
    """Stored under a number that was never published, or twice."""
    named: list[str] = field(default_factory=list)
    """The first of those that are missing: kind, unit and numbers, and which part was out when they were due."""
    quarantined: int = 0
    outages: Counter[str] = field(default_factory=Counter)
    out: list[tuple[float, float, str]] = field(default_factory=list)
    """From when to when, seconds from the beginning, and what."""
    seconds: float = 0.0
    caught_up_s: float = 0.0
    """From the last record's acknowledgement until all were stored."""
    memory_mb: list[tuple[float, dict[str, float]]] = field(default_factory=list)
    connections: list[tuple[float, int]] = field(default_factory=list)
    standings: dict[str, int] = field(default_factory=dict)

    @property
    def balanced(self) -> bool:
        """Whether everything published is stored once or in quarantine, and nothing else is there."""
        return sum(self.missing.values()) == self.quarantined and not any(self.strange.values())


def trial(folder: Path, *, units: int, hours: float, speed: float, days_before: int, seed: int = 1) -> Seen:
    """Run the whole trial and return what was seen.

    Parameters
    ----------
    folder
        For database and broker; other users may enter it.
    units, hours, speed
        How many units' traffic of how many hours is replayed, and how fast.
    days_before
        Of their history that are loaded first.
    """
    seen, luck = Seen(), random.Random(seed)
    since = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=1)
    fleet = fleets.simulate(units, days_before + 1, seed, since - timedelta(days=days_before))
    live = _between(fleet, since, since + timedelta(hours=hours))
    with ExitStack() as cleanup:
        parts = Parts(folder, cleanup, ACCOUNT, settings=Settings(clock="data"))
        with connect(parts.server.conninfo) as connection:
            before = _load(connection, fleet, since)
        for name in PROGRAMS:
            parts.begin(name)
        parts.wait_for_intakes()
        published = threading.Event()
        work = threading.Thread(target=_publish, args=(live, parts, speed, since, seen, published), daemon=True)
        began = time.monotonic()
        work.start()
        upset = threading.Thread(target=_watch_over, args=(parts, seen, began, published), daemon=True)
        upset.start()
        _upset(parts, luck, seen, published, began)
        work.join()
        seen.seconds = time.monotonic() - began
        upset.join()
        with connect(parts.server.conninfo) as connection:
            wanted = {kind: before[kind] + len(getattr(live, kind)) for kind in TABLES}
            eventually(lambda: _counts(connection) == wanted, 120)
            seen.caught_up_s = time.monotonic() - began - seen.seconds
            _balance(connection, live, before, seen)
            if not seen.balanced:
                seen.named = _named(connection, live, seen, since, speed)
                say(parts.last_words())
            assert eventually(lambda: _one(connection, "select count(*) from dirty_day") == 0, 120), "days still wait"
            rows = connection.execute("select standing, count(*) from standing group by 1 order by 2 desc").fetchall()
            seen.standings = {str(name): int(count) for name, count in rows}
    return seen


def _publish(live: Fleet, parts: Parts, speed: float, since: datetime, seen: Seen, published: threading.Event) -> None:
    try:
        seen.acknowledged = publish(live, parts.broker.address, {}, speed=speed, since=since)
    finally:
        published.set()


def _upset(parts: Parts, luck: random.Random, seen: Seen, published: threading.Event, began: float) -> None:
    """Kill, stop and freeze parts at random until all is published; then see that every part runs."""
    while not published.wait(luck.uniform(*EVERY_S)):
        name, away_s = luck.choice(PARTS), luck.uniform(*AWAY_S)
        # A frozen server's other processes go on: freeze only what is one process.
        manner = luck.choice(["kill", "stop"] if name == "database" else ["kill", "stop", "freeze"])
        since_s = time.monotonic() - began
        if manner == "freeze":
            parts.processes[name].send_signal(signal.SIGSTOP)
            time.sleep(away_s)
            parts.processes[name].send_signal(signal.SIGCONT)
        else:
            (parts.kill if manner == "kill" else parts.stop)(name)
            time.sleep(away_s)
            _begin(parts, name)
        seen.outages[f"{name} {manner}"] += 1
        seen.out.append((since_s, time.monotonic() - began, f"{name} {manner}"))
        say(f"{name}: {manner}, {away_s:.0f} s")
        parts.revive(PROGRAMS)
    parts.revive(PROGRAMS)


def _begin(parts: Parts, name: str) -> None:
    for _ in range(5):  # just after a kill the server may find its memory still held
        with suppress(UnavailableError):
            parts.begin(name)
            return
        time.sleep(1.0)
    parts.begin(name)


def _watch_over(parts: Parts, seen: Seen, began: float, published: threading.Event) -> None:
    """Note memory and connections every few seconds."""
    while not published.wait(SAMPLE_S):
        now = time.monotonic() - began
        seen.memory_mb.append((now, {name: parts.memory_mb(name) for name in PARTS}))
        with suppress(psycopg.Error), psycopg.connect(parts.server.conninfo, connect_timeout=2) as connection:
            query = "select count(*) from pg_stat_activity where backend_type = 'client backend'"
            row = connection.execute(query).fetchone()
            seen.connections.append((now, int(row[0]) - 1 if row else 0))


def _between(fleet: Fleet, since: datetime, until: datetime) -> Fleet:
    def part(table: pd.DataFrame) -> pd.DataFrame:
        return table[(table["at"] >= since) & (table["at"] < until)].reset_index(drop=True)

    # A logger that was to come back later comes back at the end.
    end = f"{until:%FT%TZ}"
    spells = [[s | {"to": min(s["to"], end)} for s in each if s["from"] < end] for each in fleet.truth["offline"]]
    truth = fleet.truth.assign(offline=pd.Series(spells, index=fleet.truth.index, dtype=object))
    return replace(fleet, truth=truth, **{kind: part(getattr(fleet, kind)) for kind in TABLES})


def _load(connection: psycopg.Connection, fleet: Fleet, until: datetime) -> dict[str, int]:
    account_id = store.account(connection, ACCOUNT, create=True)
    store.put_units(connection, account_id, fleet.units)
    old = _between(fleet, datetime(2000, 1, 1, tzinfo=UTC), until)
    store.put_starts(connection, account_id, old.starts.drop(columns="wave", errors="ignore"))
    store.put_rests(connection, account_id, old.rests)
    store.put_events(connection, account_id, old.events)
    counts = _counts(connection)
    say(f"{counts} are there before")
    return counts


def _counts(connection: psycopg.Connection) -> dict[str, int]:
    return {kind: _one(connection, "select count(*) from {}", table) for kind, table in TABLES.items()}


def _one(connection: psycopg.Connection, query: LiteralString, *names: str) -> int:
    row = connection.execute(sql.SQL(query).format(*map(sql.Identifier, names))).fetchone()
    return int(row[0]) if row else 0


def _balance(connection: psycopg.Connection, live: Fleet, before: dict[str, int], seen: Seen) -> None:
    """Compare what is stored with what was published, record by record."""
    seen.quarantined = _one(connection, "select count(*) from quarantine")
    for kind, table in TABLES.items():
        frame: pd.DataFrame = getattr(live, kind)
        wanted = Counter(zip(frame["unit"], frame["seq"], strict=True))
        lowest = frame.groupby("unit")["seq"].min().to_dict()
        query = sql.SQL("select unit, seq from {} join unit using (unit_id)").format(sql.Identifier(table))
        rows = connection.execute(query).fetchall()
        stored = Counter((str(u), int(seq)) for u, seq in rows if seq >= lowest.get(u, 2**63))
        seen.published[kind] = wanted.total()
        seen.stored[kind] = len(rows) - before[kind]
        seen.missing[kind] = (wanted - stored).total()
        seen.strange[kind] = (stored - wanted).total()


def _named(connection: psycopg.Connection, live: Fleet, seen: Seen, since: datetime, speed: float) -> list[str]:
    """Name what is missing, a line for each unit and kind: its numbers, when they were due, and what was out then."""
    lines = []
    for kind, table in TABLES.items():
        query = sql.SQL("select unit, seq from {} join unit using (unit_id)").format(sql.Identifier(table))
        stored = set(connection.execute(query).fetchall())
        frame: pd.DataFrame = getattr(live, kind)
        there = [key in stored for key in zip(frame["unit"], frame["seq"], strict=True)]
        for unit, gone in frame[~np.array(there, bool)].groupby("unit"):
            due_s = (gone["at"] - since).dt.total_seconds() / speed
            about = [f"{what} {a:.0f} to {b:.0f} s" for a, b, what in seen.out if any(due_s.between(a - 10, b + 10))]
            lines.append(
                f"{kind} of {unit}: {sorted(gone['seq'])}, due at {due_s.min():.0f} to {due_s.max():.0f} s; "
                f"{', '.join(about) or 'nothing was out then'}"
            )
    return lines[:NAMED]


def table(seen: Seen) -> str:
    """Return what was seen, for people."""
    lines = [
        f"published {seen.published}, acknowledged to the loggers {seen.acknowledged} (doubles counted)",
        f"stored {seen.stored}, in quarantine {seen.quarantined}; missing {seen.missing}, strange {seen.strange}",
        f"doubles sent and dropped: { {k: seen.acknowledged[k] - seen.published[k] for k in seen.published} }",
        f"{seen.outages.total()} outages in {seen.seconds:.0f} s: {dict(sorted(seen.outages.items()))}",
        f"all was stored {seen.caught_up_s:.1f} s after the last acknowledgement; standings then {seen.standings}",
        f"load average, 5 and 15 minutes: {os.getloadavg()[1]:.1f}, {os.getloadavg()[2]:.1f} on {os.cpu_count()} cores",
    ]
    text = "\n".join(f"- {line}" for line in [*lines, *(f"missing: {line}" for line in seen.named)])
    quarters = [seen.seconds * k / 4 for k in range(5)]

    def by_quarter(series: list[tuple[float, float]]) -> list[str]:
        parts = [[v for t, v in series if a <= t < b and v > 0] for a, b in pairwise(quarters)]
        return [f"{np.median(p):.0f}, {max(p):.0f}" if p else "-" for p in parts]

    rows = [(f"{name}, MB", [(t, m[name]) for t, m in seen.memory_mb]) for name in PARTS]
    rows.append(("connections to the database", [(t, float(n)) for t, n in seen.connections]))
    head = "| median, most | 1st quarter | 2nd | 3rd | 4th |\n|---|---|---|---|---|\n"
    return text + "\n\n" + head + "\n".join(f"| {name} | {' | '.join(by_quarter(s))} |" for name, s in rows)


def main() -> int:
    """Run it and print the table; 1 if the books do not balance."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.trials.outages", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--units", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=100.0)
    parser.add_argument("--days-before", type=int, default=14)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfsecond-outages-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        seen = trial(folder, **vars(given))
    print(table(seen))
    return 0 if seen.balanced else 1


if __name__ == "__main__":
    raise SystemExit(main())
