"""Starts loaded from Parquet into the database a second, against COPY and merge of the same rows made beforehand."""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pandas as pd
import psycopg

from deploy.commands import load
from deploy.embedded import postgres as embedded_postgres
from ingest import files, frames, store
from ingest.database import connect, ensure_days, migrate
from ingest.wire import START_FIELDS
from tests.bench import plain_copy, shares

STARTS = 396_000
UNITS = 330
DAYS = 60
ROUNDS = 4
CHUNK = 20_000


def table(first: int, count: int) -> pd.DataFrame:
    """Return invented starts of a fleet, twenty a day, unit by unit as a history is, every figure fitted."""
    random = np.random.default_rng(first)
    number = first + np.arange(count)
    each = max(1, STARTS // UNITS)
    made: dict[str, Any] = {
        "unit": np.array([f"u-{n // each % UNITS:04d}" for n in number], object),
        "seq": number,
        "at": np.datetime64("2024-01-10", "us") + (number % each * (DAYS * 86_400_000_000 // each)).astype("m8[us]"),
        "outcome": np.array(["ran", "locked"], object)[(random.random(count) < 0.01).astype(int)],
        "mode": np.full(count, "heating", object),
        "stage": np.ones(count),
        "retry": np.zeros(count),
    }
    for name in START_FIELDS:
        if name not in made:
            made[name] = random.uniform(1, 50, count).round(2)
    made["run_pf"] = random.uniform(0.8, 1, count).round(3)
    return frames.frame("starts", made)


def loaded(conninfo: str, path: Path) -> float:
    """Return the seconds that ``halfsecond load starts`` takes for a file, its own database connection included."""
    parser = argparse.ArgumentParser()
    kinds = parser.add_subparsers()
    load.add(kinds)
    arguments = parser.parse_args(["load", "starts", str(path), "--database", conninfo])
    began = time.perf_counter()
    with contextlib.redirect_stdout(sys.stderr):  # what it says of its progress is no result
        left_out = arguments.run(arguments)
    taken_s = time.perf_counter() - began
    if left_out:
        raise RuntimeError("some starts were left out")
    return taken_s


def copied(connection: psycopg.Connection, made: pd.DataFrame) -> float:
    """Return the seconds of binary COPY into staging and merge for the same rows, ready as Python values beforehand."""
    ids = {name: n for n, name in enumerate(sorted(set(made["unit"])), 1)}
    now = pd.Timestamp.now(tz="UTC").to_pydatetime()
    columns = [made[name].astype(object).where(made[name].notna(), None).tolist() for name in START_FIELDS]
    columns[START_FIELDS.index("at")] = list(made["at"].dt.to_pydatetime())
    for name in ("stage", "retry"):
        columns[START_FIELDS.index(name)] = [int(v) for v in made[name]]
    rows = list(zip(*columns, [1] * len(made), [ids[unit] for unit in made["unit"]], [now] * len(made), strict=True))
    return plain_copy.copied(connection, rows, CHUNK)


def empty(connection: psycopg.Connection) -> None:
    """Let the next measurement begin with the same tables."""
    connection.execute("truncate start, dirty_day, heard, load_mark")


def main() -> None:
    """Print the rates, the ratio and what a start costs: the median of a few rounds taken in turn."""
    with tempfile.TemporaryDirectory(prefix="halfsecond-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        (folder / "database").mkdir(mode=0o755)
        with embedded_postgres.running(folder / "database") as server:
            migrate(server.conninfo)
            made, path = table(0, STARTS), folder / "starts.parquet"
            files.write("starts", made, path)
            times: list[tuple[float, float]] = []
            cpu_s: Counter[str] = Counter()
            with connect(server.conninfo) as connection:
                store.account(connection, "bench (example)", create=True)
                ensure_days(connection, "start", set(made["at"].dt.date))
                for turn in range(ROUNDS + 1):
                    empty(connection)
                    before = time.process_time(), shares.cpu_s(server.process.pid)
                    ours_s = loaded(server.conninfo, path)
                    between = time.process_time(), shares.cpu_s(server.process.pid)
                    empty(connection)
                    begun_s = shares.cpu_s(server.process.pid)
                    peer_s = copied(connection, made)
                    if turn:  # the first warms caches
                        times.append((ours_s, peer_s))
                        cpu_s["load"] += between[0] - before[0]
                        cpu_s["database"] += between[1] - before[1]
                        cpu_s["database of the peer"] += shares.cpu_s(server.process.pid) - begun_s
    ours_s, peer_s = (median(column) for column in zip(*times, strict=True))
    ratios = sorted(theirs / ours for ours, theirs in times)
    print(
        f"parquet: {STARTS / ours_s:,.0f} starts/s read, checked and stored by 'halfsecond load'; binary COPY and "
        f"merge of the same rows ready in memory {STARTS / peer_s:,.0f}/s, ratio {median(ratios):.2f} "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f})"
    )
    used = {name: 1e6 * seconds / STARTS / ROUNDS for name, seconds in cpu_s.items()}
    print(
        f"CPU a start: {used['load']:.1f} us to read, check, encode and send, {used['database']:.1f} us of the "
        f"database; the peer costs the database {used['database of the peer']:.1f} us"
    )


if __name__ == "__main__":
    sys.exit(main())
