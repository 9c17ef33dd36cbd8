"""Writing records to files: NDJSON, CSV and Parquet, so that reading them gives the same table."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, cast

import msgspec
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest import ndjson
from ingest.errors import BadInputError, UnavailableError
from ingest.shapes import FileKind, columns

ENDINGS = {".ndjson": "ndjson", ".jsonl": "ndjson", ".json": "ndjson", ".csv": "csv", ".parquet": "parquet"}


def ending(path: Path) -> str:
    """Return the format that a file's ending names.

    Raises
    ------
    BadInputError
        The ending names none.
    """
    name = path.name.lower().removesuffix(".gz")
    form = ENDINGS.get(Path(name).suffix)
    if form is None:
        raise BadInputError(f"{path}: unknown ending; use .ndjson, .csv or .parquet (.gz may follow)")
    return form


def write(kind: FileKind, frame: pd.DataFrame, path: Path) -> None:
    """Write a table as NDJSON, CSV or Parquet, by ending; what :func:`read` gives back is equal.

    Raises
    ------
    UnavailableError
        The file cannot be written.
    """
    form = ending(path)
    try:
        with path.open("wb") as raw:
            if path.name.lower().endswith(".gz"):
                with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6) as packed:
                    append(kind, frame, cast("IO[bytes]", packed), form)
            else:
                append(kind, frame, raw, form)
    except OSError as error:
        raise UnavailableError(f"{path}: cannot be written ({error.strerror}); name another file") from None


@contextmanager
def opened_for_lines(path: Path, sources: Iterable[Path] = ()) -> Iterator[IO[bytes]]:
    """Open a file to write NDJSON to, packed if it ends in ``.gz``; it is there only once it is whole.

    Raises
    ------
    BadInputError
        It is one of the files that are being read, or its ending names another format.
    UnavailableError
        It cannot be written.
    """
    if path.suffix in {".csv", ".parquet"}:
        raise BadInputError(f"--out: {path} is written as NDJSON; let its name end in .ndjson")
    if path.exists() and any(path.samefile(source) for source in sources if source.exists()):
        raise BadInputError(f"--out: {path} is also read; name another file")
    stream = path.exists() and not path.is_file() and not path.is_dir()  # a pipe or a terminal
    part = path if stream else path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as raw:
            if path.suffix == ".gz":
                with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6) as packed:
                    yield cast("IO[bytes]", packed)
            else:
                yield raw
        if part != path:
            part.replace(path)
    except OSError as error:
        raise UnavailableError(f"--out: {path} cannot be written ({error.strerror}); name another file") from None
    finally:
        if part != path:
            part.unlink(missing_ok=True)


def append(kind: FileKind, frame: pd.DataFrame, out: IO[bytes], form: str = "ndjson") -> None:
    """Write a table's records to an open stream in one of the formats (CSV and Parquet: a whole file)."""
    if form == "ndjson":
        out.writelines(ndjson.lines(kind, frame))
        return
    table = _table(kind, frame, as_text=form == "csv")
    if form == "csv":
        pa.csv.write_csv(table, out)
    else:
        pa.parquet.write_table(table, out, compression="zstd")


def _table(kind: FileKind, frame: pd.DataFrame, *, as_text: bool) -> pa.Table:
    """Return the Arrow table of a frame; as text, times are RFC 3339 and lists are JSON."""
    known = columns(kind)
    made: dict[str, pa.Array] = {}
    for name in frame:
        column = known.get(str(name))
        cells = ndjson.cells(frame[name], column.kind if column else "word")
        if column is None or column.kind == "word":
            made[str(name)] = pa.array(cells, pa.string())
        elif column.kind == "whole":
            made[str(name)] = pa.array(cells, pa.int64())
        elif column.kind == "number":
            made[str(name)] = pa.array(cells, pa.float64())
        elif column.kind == "time":
            made[str(name)] = pa.array(cells) if as_text else pa.array(frame[name], pa.timestamp("us", tz="UTC"))
        elif as_text or str(name) == "readings":
            made[str(name)] = pa.array([None if c is None else msgspec.json.encode(c).decode() for c in cells])
        else:
            made[str(name)] = pa.array(cells)
    return pa.table(made)
