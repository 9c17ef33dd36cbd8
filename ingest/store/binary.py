"""Rows for COPY in PostgreSQL's binary format, encoded whole columns at a time.

Every field is laid out in a matrix of bytes, one row a record, each column as wide as its widest value; what a mask
leaves out of it (the padding of short words, the place of a null) drops away as the matrix is read row by row. That
costs a fraction of encoding value by value.

References
----------
.. [1] PostgreSQL documentation, COPY, "Binary Format"; and the send functions of the types: integers and floats in
   network byte order, timestamptz in microseconds since 2000-01-01, jsonb as a byte 1 and text.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

Bytes = npt.NDArray[np.uint8]
WIDEST = 1_000
"""Bytes of the widest word that is laid out in a matrix; beyond it the matrix would be mostly padding."""

_HEAD = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_TAIL = b"\xff\xff"
_EPOCH = np.datetime64("2000-01-01", "us")


class Encoded(NamedTuple):
    """One column: its bytes, one row a record and padded to one width, and each value's length, -1 for a null."""

    cells: Bytes
    lengths: npt.NDArray[np.int32]


def numbers(values: npt.ArrayLike, kind: str, missing: npt.NDArray[np.bool_] | None = None) -> Encoded:
    """Encode numbers of a NumPy type in network byte order, such as ``>i8`` or ``>f4``; those missing are null."""
    made = np.ascontiguousarray(np.asarray(values).astype(kind))
    width = made.dtype.itemsize
    lengths = np.full(len(made), width, np.int32)
    if missing is not None:
        lengths[missing] = -1
    return Encoded(made.view(np.uint8).reshape(len(made), width), lengths)


def times(values: npt.NDArray[np.datetime64]) -> Encoded:
    """Encode instants in UTC as timestamptz."""
    return numbers((values.astype("M8[us]") - _EPOCH).astype(np.int64), ">i8")


def words(values: npt.ArrayLike | pd.Series, before: bytes = b"") -> Encoded | None:
    """Encode texts, None for null, each with some bytes before it; None if one is too wide for a matrix."""
    codes, different = pd.factorize(np.asarray(values, object), use_na_sentinel=True)
    texts = [before + str(word).encode() for word in different]
    width = max(map(len, texts), default=0)
    if width > WIDEST:
        return None
    cells = np.zeros((len(texts) + 1, max(width, 1)), np.uint8)
    for place, text in enumerate(texts):
        cells[place, : len(text)] = np.frombuffer(text, np.uint8)
    lengths = np.array([*map(len, texts), -1], np.int32)
    return Encoded(cells[codes], lengths[codes])  # a missing one has the code -1, the last of both


def rows(columns: Sequence[Encoded]) -> bytes:
    """Return what COPY takes: the header, every record's fields in order, the trailer."""
    count = len(columns[0].lengths)
    width = 2 + sum(4 + column.cells.shape[1] for column in columns)
    laid = np.empty((count, width), np.uint8)
    kept = np.ones((count, width), bool)
    laid[:, :2] = np.frombuffer(np.array(len(columns), ">i2").tobytes(), np.uint8)
    place = 2
    for cells, lengths in columns:
        _lay(laid, place, lengths.astype(">i4").view(np.uint8).reshape(count, 4))
        place += 4
        end = place + cells.shape[1]
        _lay(laid, place, cells)
        if (lengths != cells.shape[1]).any():
            kept[:, place:end] = np.arange(cells.shape[1]) < lengths[:, None]
        place = end
    return b"".join((_HEAD, laid[kept].tobytes(), _TAIL))


def _lay(laid: Bytes, place: int, cells: Bytes) -> None:
    """Put a column's bytes into their place in every row: as whole numbers where they are as wide as one, for speed."""
    width = cells.shape[1]
    if width in {2, 4, 8}:
        column = np.ndarray(len(laid), f"u{width}", laid, place, laid.strides[:1])
        column[:] = np.ascontiguousarray(cells).view(column.dtype)[:, 0]
    else:
        laid[:, place : place + width] = cells
