"""A simulated fleet as files: one record a line, in the shapes of the wire contract, and the truth beside them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import msgspec
import numpy as np
import pandas as pd

from ingest.errors import UnavailableError
from simulator.fleet import Fleet

NAMES = tuple(f.name for f in fields(Fleet) if f.name != "waves")
_ENCODER = msgspec.json.Encoder()
_ROWS = 50_000
_WHOLE = {"stage", "retry", "stages"}


def write(fleet: Fleet, folder: Path) -> dict[str, int]:
    """Write the files of a fleet, units to truth; return how many records each has."""
    return write_all([fleet], folder)


def write_all(parts: Iterable[Fleet], folder: Path, progress: Callable[[int], object] | None = None) -> dict[str, int]:
    """Write a fleet that comes in parts, one file a kind; files of that name are replaced.

    Parameters
    ----------
    parts
        The fleet, some units at a time, as `simulator.fleet.batches` yields it.
    folder
        Where to; made where it is missing.
    progress
        Called with the number of units just written.

    Returns
    -------
    dict
        Kind of record to the number written.

    Raises
    ------
    UnavailableError
        Where the folder or a file in it cannot be written.
    """
    count = dict.fromkeys(NAMES, 0)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as stack:
            files = {name: stack.enter_context((folder / f"{name}.ndjson").open("wb")) for name in NAMES}
            for part in parts:
                for name in NAMES:
                    table = getattr(part, name)
                    _append(files[name], table)
                    count[name] += len(table)
                if progress is not None:
                    progress(len(part.units))
    except OSError as error:
        raise UnavailableError(
            f"{error.filename or folder}: cannot write ({error.strerror}); name another --out"
        ) from error
    return count


def _append(file: IO[bytes], table: pd.DataFrame) -> None:
    for first in range(0, len(table), _ROWS):
        file.write(_ENCODER.encode_lines(records(table.iloc[first : first + _ROWS])))


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as objects that can be sent or written: nothing missing is named, times are text."""
    names = list(table.columns)
    columns = [_plain(name, table[name]) for name in names]
    return [
        {name: value for name, value in zip(names, row, strict=True) if value is not None}
        for row in zip(*columns, strict=True)
    ]


def _plain(name: str, column: pd.Series) -> list[Any]:
    """Return a column as Python's own values, None where missing."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return _text(column)
    if column.dtype == np.float64:
        values = column.to_numpy()
        missing = np.isnan(values)
        plain: list[Any] = (np.where(missing, 0, values).astype(np.int64) if name in _WHOLE else values).tolist()
        if missing.any():
            for place in np.flatnonzero(missing).tolist():
                plain[place] = None
        return plain
    cells: list[Any] = column.tolist()
    if name == "hours":
        return [[{"at": _moment(h["at"]), "outdoor_c": h["outdoor_c"]} for h in hours] for hours in cells]
    return cells


def _text(column: pd.Series) -> list[str]:
    """Return times as RFC 3339 in UTC, to the millisecond where they have one."""
    stamps = column.dt.tz_localize(None).to_numpy().astype("M8[ms]")
    return [f"{t.removesuffix('.000')}Z" for t in np.datetime_as_string(stamps, unit="ms").tolist()]


_MOMENTS: dict[datetime, str] = {}


def _moment(at: datetime) -> str:
    """Return one moment as RFC 3339; the same few thousand come again for every site."""
    if at not in _MOMENTS:
        if len(_MOMENTS) > 100_000:
            _MOMENTS.clear()
        _MOMENTS[at] = f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
    return _MOMENTS[at]
