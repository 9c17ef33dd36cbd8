"""Starts loaded from Parquet into the database a second, against COPY and merge of the same rows made beforehand."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import psycopg

from deploy.commands import load
from deploy.embedded import postgres as embedded_postgres
from ingest import files, frames, store
from ingest.database import connect, ensure_days, migrate
from ingest.wire import START_FIELDS
from tests.bench import plain_copy

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
    if arguments.run(arguments):
        raise RuntimeError("some starts were left out")
    return time.perf_counter() - began


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
    """Print the rates and the ratio: the best of a few rounds taken in turn."""
    with tempfile.TemporaryDirectory(prefix="halfsecond-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        (folder / "database").mkdir(mode=0o755)
        with embedded_postgres.running(folder / "database") as server:
            migrate(server.conninfo)
            made, path = table(0, STARTS), folder / "starts.parquet"
            files.write("starts", made, path)
            times: list[tuple[float, float]] = []
            with connect(server.conninfo) as connection:
                store.account(connection, "bench (example)", create=True)
                ensure_days(connection, "start", set(made["at"].dt.date))
                for turn in range(ROUNDS + 1):
                    empty(connection)
                    ours_s = loaded(server.conninfo, path)
                    empty(connection)
                    peer_s = copied(connection, made)
                    if turn:  # the first warms caches
                        times.append((ours_s, peer_s))
    ours_s, peer_s = (min(column) for column in zip(*times, strict=True))
    print(
        f"parquet: {STARTS / ours_s:,.0f} starts/s read, checked and stored by 'halfsecond load'; binary COPY and "
        f"merge of the same rows ready in memory {STARTS / peer_s:,.0f}/s, ratio {peer_s / ours_s:.2f}"
    )


if __name__ == "__main__":
    sys.exit(main())
