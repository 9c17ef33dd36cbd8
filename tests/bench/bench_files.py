"""Reading a million starts: NDJSON against msgspec on the same bytes, CSV and Parquet against pyarrow, in one run."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow.csv
import pyarrow.parquet

from ingest import files, frames
from ingest.shapes import FileStart

STARTS = 1_000_000
TIMES = 3


def table(count: int) -> pd.DataFrame:
    """Return invented starts of a thousand units, as many fields as a well-fitted logger sends."""
    random = np.random.default_rng(0)
    return frames.frame(
        "starts",
        {
            "unit": np.array([f"u-{i % 1000:04d}" for i in range(count)], object),
            "seq": np.arange(count),
            "at": np.datetime64("2026-01-01", "us") + (np.arange(count) * 1_234_567).astype("m8[us]"),
            "outcome": np.array(["ran", "locked"], object)[(random.random(count) < 0.01).astype(int)],
            "run_up_s": np.where(random.random(count) < 0.1, np.nan, random.random(count).round(4)),
            "peak_a": (80 + random.random(count)).round(2),
            "line_v": (240 + random.random(count)).round(2),
            "outdoor_c": random.normal(0, 9, count).round(2),
            "stage": random.integers(1, 3, count).astype(float),
        },
    )


def measure(count: int = STARTS) -> dict[str, tuple[float, float]]:
    """Return, by format, the median seconds of our reading and of the peer's."""
    with tempfile.TemporaryDirectory() as folder:
        paths = {form: Path(folder) / f"starts.{form}" for form in ("ndjson", "csv", "parquet")}
        made = table(count)
        for path in paths.values():
            files.write("starts", made, path)
        decoder = msgspec.json.Decoder(FileStart)
        peers: dict[str, Callable[[Path], object]] = {
            "ndjson": lambda path: decoder.decode_lines(path.read_bytes()),
            "csv": lambda path: pyarrow.csv.read_csv(path).to_pandas(),
            "parquet": lambda path: pyarrow.parquet.read_table(path).to_pandas(),
        }
        return {
            form: (_median(lambda p=path: _read(p, count)), _median(lambda p=path, f=form: peers[f](p)))
            for form, path in paths.items()
        }


def _read(path: Path, count: int) -> None:
    found, rejected = files.read("starts", [path])
    assert (len(found), rejected) == (count, [])


def _median(work: Callable[[], object]) -> float:
    took = []
    for _ in range(TIMES):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def main() -> None:
    """Print a line for each format."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else STARTS
    peers = {
        "ndjson": "msgspec decode_lines to structs",
        "csv": "pyarrow read_csv, unchecked",
        "parquet": "pyarrow read_table, unchecked",
    }
    for form, (ours, peer) in measure(count).items():
        print(
            f"{form}: {count / ours:,.0f} starts/s read, checked; {peers[form]} {peer:.2f} s; ratio {ours / peer:.1f}"
        )


if __name__ == "__main__":
    main()
