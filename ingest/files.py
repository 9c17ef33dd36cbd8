"""Files of records: NDJSON, CSV and Parquet with the same column names, read and written.

A record that cannot be used is left out and named; the others are kept. A file that cannot be used at all (missing,
of an unknown ending, without a required column) is an error of one line.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from tqdm import tqdm

from ingest import frames, keys, mapped, ndjson, tabular
from ingest.complaint import Rejected
from ingest.errors import BadInputError
from ingest.mapping import Source
from ingest.ndjson import BLOCK
from ingest.shapes import FileKind
from ingest.tabular import BATCH_ROWS, CSV_BLOCK
from ingest.writing import append, ending, write

__all__ = ["Rejected", "append", "batches", "check", "ending", "read", "read_log", "read_once", "summary", "write"]


def read(kind: FileKind, paths: Iterable[str | Path], *, progress: bool = False) -> tuple[pd.DataFrame, list[Rejected]]:
    """Read whole files into one table.

    Parameters
    ----------
    kind
        ``starts rests events units visits forecasts``.
    paths
        Files by ending: ``.ndjson .jsonl .json .csv .parquet``, each also with ``.gz``.
    progress
        Show a bar on stderr if it takes more than a second.

    Returns
    -------
    tuple
        A frame with the columns of :func:`ingest.shapes.columns` (see :mod:`ingest.frames` for the dtypes), in the
        order of the files; and the records that cannot be used.

    Raises
    ------
    BadInputError
        A file is missing, unreadable, of an unknown ending, or lacks a required column.
    """
    parts: list[pd.DataFrame] = []
    bad: list[Rejected] = []
    for frame, rejected in batches(kind, paths, progress=progress):
        parts.append(frame)
        bad.extend(rejected)
    return frames.concat(kind, parts), bad


def read_once(
    kind: FileKind, paths: Iterable[str | Path], *, progress: bool = False
) -> tuple[pd.DataFrame, list[str], list[Rejected]]:
    """Read whole files into one table, of starts, rests and events the first of each key only; as :func:`read` else.

    Returns
    -------
    tuple
        The table; a line where records came under a key that was taken by others; the records that cannot be used.
    """
    seen = keys.Keys(kind)
    parts: list[pd.DataFrame] = []
    bad: list[Rejected] = []
    for path in paths:
        for frame, rejected in batches(kind, [path], progress=progress):
            parts.append(frame[seen.fresh(frame, str(path))])
            bad.extend(rejected)
    told = [keys.taken(seen.others, kind, seen.first)] if seen.others else []
    return frames.concat(kind, parts), told, bad


def batches(
    kind: FileKind,
    paths: Iterable[str | Path],
    *,
    progress: bool = False,
    source: Source | None = None,
    skip: int = 0,
) -> Iterator[tuple[pd.DataFrame, list[Rejected]]]:
    """Yield the records of files some ten thousand at a time, so that memory stays flat; otherwise as :func:`read`.

    With ``source``, the table of a mapping, they are another logger's files, CSV or JSON as the table says. The first
    ``skip`` batches of each file come empty; the same file always falls into the same batches: see :func:`digest`.
    """
    files = [Path(p) for p in paths]
    sizes = [_size(path) for path in files]
    formats = [source.form if source else ending(path) for path in files]
    with tqdm(
        total=sum(sizes), unit="B", unit_scale=True, desc=f"reading {kind}", delay=1, disable=not progress, leave=False
    ) as bar:
        for path, form, size in zip(files, formats, sizes, strict=True):
            before = bar.n
            with _opened(path) as raw:
                for batch in _batches(kind, raw, path, form, source, skip):
                    yield batch
                    bar.update(before + min(raw.tell() if not raw.closed else size, size) - bar.n)
            bar.update(before + size - bar.n)


def read_log(path: Path) -> tuple[pd.DataFrame, list[Rejected]]:
    """Read a log of any columns: a CSV as text, or Parquet with its own types.

    Returns
    -------
    tuple
        The table, and the rows of a CSV that do not fit its header.

    Raises
    ------
    BadInputError
        The file is missing, unreadable, or neither CSV nor Parquet.
    """
    _size(path)
    form = ending(path)
    if form == "ndjson":
        raise BadInputError(f"{path}: a log must be .csv or .parquet (.gz may follow)")
    with _opened(path) as raw, _damage(path):
        stream = _unpacked(raw, path)
        if form == "csv":
            return tabular.log_table(stream, str(path))
        try:
            return pa.parquet.read_table(io.BytesIO(stream.read())).to_pandas(), []
        except (pa.ArrowInvalid, OSError) as error:
            raise BadInputError(f"{path}: not a Parquet file that can be read ({error})") from None


def check(paths: Iterable[Path], *, any_ending: bool = False) -> None:
    """Raise the one line for the first file that is missing or, unless any will do, of an unknown ending."""
    for path in paths:
        _size(path)
        if not any_ending:
            ending(path)


def digest(path: Path, *beside: bytes) -> str:
    """Return what tells a file from others and from its own later self, and how it falls into batches, as one word.

    ``beside`` is what else the records depend on, such as a mapping.
    """
    size, edge = _size(path), 1 << 16
    told = hashlib.sha256(f"{size} {BLOCK} {CSV_BLOCK} {BATCH_ROWS} {mapped.BATCH} {pa.__version__}".encode())
    with _opened(path) as raw:
        told.update(raw.read(edge))
        raw.seek(max(0, size - edge))
        told.update(raw.read(edge))
        told.update(str(os.fstat(raw.fileno()).st_mtime_ns).encode())
    for part in beside:
        told.update(part)
    return told.hexdigest()


def _size(path: Path) -> int:
    try:
        if path.is_dir():
            raise BadInputError(f"{path}: is a folder; name a file in it")
        return path.stat().st_size
    except FileNotFoundError:
        raise BadInputError(f"{path}: no such file; check the name") from None
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror})") from None


def _opened(path: Path) -> IO[bytes]:
    try:
        return path.open("rb")
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None


def _batches(
    kind: FileKind, raw: IO[bytes], path: Path, form: str, source: Source | None, skip: int
) -> Iterator[tuple[pd.DataFrame, list[Rejected]]]:
    name = str(path)
    with _damage(path):
        stream = _unpacked(raw, path)
        if source is not None:
            yield from mapped.batches(source, kind, stream, name, skip)
        elif form == "ndjson":
            yield from ndjson.batches(kind, stream, name, skip)
        elif form == "csv":
            yield from tabular.csv_batches(kind, stream, name, skip)
        else:
            yield from tabular.parquet_batches(kind, raw if stream is raw else io.BytesIO(stream.read()), name, skip)


def _unpacked(raw: IO[bytes], path: Path) -> IO[bytes]:
    return io.BufferedReader(gzip.GzipFile(fileobj=raw)) if path.name.lower().endswith(".gz") else raw


@contextmanager
def _damage(path: Path) -> Iterator[None]:
    try:
        yield
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise BadInputError(f"{path}: its gzip data is damaged ({error}); copy the file again") from None


def summary(bad: Sequence[Rejected], most: int = 5) -> list[str]:
    """Return one line a rejected record for at most five of them, then the count of the others."""
    told = [str(r) for r in bad[:most]]
    return [*told, f"and {len(bad) - most:,} more records left out"] if len(bad) > most else told
