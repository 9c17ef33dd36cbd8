"""Whole columns of a table as numpy arrays, and for which rows their values are surely right.

What is surely right is decided here at the speed of arrays; whatever is not goes to :mod:`ingest.rows`, which decides.
The limits are those of the wire's structs, by way of :mod:`ingest.shapes`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ingest import rows
from ingest.shapes import Column

_FIRST = np.datetime64(f"{rows.FIRST_YEAR}-01-01", "us")
_AFTER = np.datetime64(f"{rows.LAST_YEAR + 1}-01-01", "us")
_EXACT = 2.0**53


def checked(cells: pa.ChunkedArray, column: Column) -> tuple[np.ndarray, np.ndarray]:
    """Return a column's values, and for which rows they are surely right.

    Parameters
    ----------
    cells
        The column as read: bytes from a CSV, its own type from Parquet.
    column
        What it must hold.
    """
    match column.kind:
        case "number" | "whole":
            return _numbers(cells, column)
        case "time":
            return _times(cells)
        case _:
            return _words(cells, column)


def _numbers(cells: pa.ChunkedArray, column: Column) -> tuple[np.ndarray, np.ndarray]:
    null = cells.is_null().to_numpy(zero_copy_only=False) if cells.null_count else np.zeros(len(cells), bool)
    wanted = pa.int64() if column.kind == "whole" and column.required else pa.float64()
    if pa.types.is_boolean(cells.type) or pa.types.is_nested(cells.type):
        return np.zeros(len(cells)), null & (not column.required)
    cast, fine = _cast(cells, wanted)
    if wanted == pa.int64():
        values = pc.fill_null(cast, 0).to_numpy()
    else:
        values = cast.to_numpy()
        null |= np.isnan(values) & fine
    with np.errstate(invalid="ignore"):
        inside = np.ones(len(values), bool)
        if column.low is not None:
            inside &= values > column.low if column.low_open else values >= column.low
        if column.high is not None:
            inside &= values <= column.high
        if column.kind == "whole" and not column.required:
            inside &= (values == np.floor(values)) & (np.abs(values) < _EXACT)
    return values, (fine & ~null & inside) | (null & fine & (not column.required))


def _times(cells: pa.ChunkedArray) -> tuple[np.ndarray, np.ndarray]:
    cast, fine = _cast(cells, pa.timestamp("us", tz="UTC"))
    stamps = cast.cast(pa.timestamp("us")).to_numpy().astype("M8[us]")
    with np.errstate(invalid="ignore"):
        return stamps, fine & (stamps >= _FIRST) & (stamps < _AFTER)


def _words(cells: pa.ChunkedArray, column: Column) -> tuple[np.ndarray, np.ndarray]:
    """Look at each different word once: a fleet's words are few."""
    coded = pc.dictionary_encode(cells.combine_chunks() if isinstance(cells, pa.ChunkedArray) else cells)
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    words: list[Any] = [decoded(w) for w in coded.dictionary.to_pylist()]
    longest = column.longest or np.inf
    right = [
        isinstance(w, str)
        and "\0" not in w
        and column.shortest <= len(w) <= longest
        and (column.words is None or w in column.words)
        for w in words
    ]
    codes = pc.fill_null(coded.indices, len(words)).to_numpy(zero_copy_only=False)
    table = np.full(len(words) + 1, None, object)
    table[: len(words)] = words
    return table[codes], np.array([*right, not column.required])[codes]


def decoded(word: object) -> Any:  # noqa: ANN401  a cell is what it is
    """Return a cell's text where its bytes are UTF-8, else the cell as it is."""
    if not isinstance(word, bytes):
        return word
    try:
        return word.decode()
    except UnicodeDecodeError:
        return word


def _cast(cells: pa.ChunkedArray, wanted: pa.DataType) -> tuple[pa.ChunkedArray, np.ndarray]:
    """Cast what can be cast: null where it cannot, and a mask of where it could or was null already."""
    try:
        if pa.types.is_binary(cells.type):
            cells = cells.cast(pa.string())
        return cells.cast(wanted), np.ones(len(cells), bool)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        pass
    coded = pc.dictionary_encode(cells.combine_chunks())
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    found = []
    for word in coded.dictionary.to_pylist():
        try:
            found.append(pa.scalar(decoded(word)).cast(wanted).as_py())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError, OverflowError):
            found.append(None)
    codes = pc.fill_null(coded.indices, len(found)).to_numpy(zero_copy_only=False)
    fine = np.array([*(f is not None for f in found), True])[codes]
    return pa.chunked_array([pa.array([*found, None], wanted).take(pa.array(codes))]), fine
