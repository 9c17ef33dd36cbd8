"""NDJSON: one JSON object a line, decoded many lines at a time, and line by line only where something is wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cache
from typing import IO, Any, Literal

import msgspec
import numpy as np
import pandas as pd

from ingest import frames, keys, rows
from ingest.complaint import Rejected
from ingest.errors import BadInputError
from ingest.shapes import RECORDS, FileKind, columns

BLOCK = 8 << 20
"""Bytes read at a time: some 25,000 starts."""
LONGEST_LINE = 64 << 20

_BOMS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16"}


def batches(
    kind: FileKind, stream: IO[bytes], path: str, skip: int = 0
) -> Iterator[tuple[pd.DataFrame, list[Rejected]]]:
    """Yield the records of a stream a few ten thousand at a time, with those that cannot be used.

    The first ``skip`` of them come empty, without a look at what they hold.
    """
    rest, line = b"", 1
    while block := stream.read(BLOCK):
        if line == 1 and not rest:
            if block[:2] in _BOMS:
                raise BadInputError(f"{path}: is {_BOMS[block[:2]]}; save it as UTF-8")
            block = block.removeprefix(b"\xef\xbb\xbf")
        block = rest + block
        cut = block.rfind(b"\n") + 1
        rest = block[cut:]
        if len(rest) > LONGEST_LINE:
            raise BadInputError(f"{path}: line {line} is longer than 64 MB; write one JSON object a line")
        if cut:
            yield (frames.empty(kind), []) if skip > 0 else _block(kind, block[:cut], path, line)
            skip -= 1
            line += block.count(b"\n", 0, cut)
    if rest.strip():
        yield (frames.empty(kind), []) if skip > 0 else _block(kind, rest, path, line)


def _block(kind: FileKind, block: bytes, path: str, first: int) -> tuple[pd.DataFrame, list[Rejected]]:
    if b"\\u0000" in block:
        return _line_by_line(kind, block, path, first)
    try:
        records = _decoder(kind).decode_lines(block)
    except (msgspec.DecodeError, ValueError, RecursionError):
        return _line_by_line(kind, block, path, first)
    if not _all_plain(kind, records):
        return _line_by_line(kind, block, path, first)
    return keys.at_lines(frames.from_records(kind, records), _lines(block, first, len(records))), []


def _lines(block: bytes, first: int, count: int) -> Sequence[int]:
    """Return the numbers of the lines that hold so many records; more or fewer numbers where that is unclear."""
    if block.count(b"\n") + (not block.endswith(b"\n")) == count:  # the common case, at no cost
        return range(first, first + count)
    return [number for number, line in enumerate(block.split(b"\n"), first) if line and not line.isspace()]


def _all_plain(kind: FileKind, records: list[Any]) -> bool:
    """Say whether all times are in range and no start carries a wave."""
    if not records:
        return True
    for name in (c.name for c in columns(kind).values() if c.kind == "time"):
        at: list[datetime] = [getattr(r, name) for r in records]
        if not rows.in_range(min(at)) or not rows.in_range(max(at)):
            return False
    return kind != "starts" or all(r.wave is None for r in records)


def _line_by_line(kind: FileKind, block: bytes, path: str, first: int) -> tuple[pd.DataFrame, list[Rejected]]:
    good: list[rows.Good] = []
    places: list[int] = []
    bad: list[Rejected] = []
    for number, line in enumerate(block.split(b"\n"), first):
        if line.strip():
            read = rows.from_line(kind, line, path, number)
            if isinstance(read, Rejected):
                bad.append(read)
            else:
                good.append(read)
                places.append(number)
    return keys.at_lines(frames.from_records(kind, [g.record for g in good], [g.extra for g in good]), places), bad


@cache
def _decoder(kind: FileKind) -> msgspec.json.Decoder[Any]:
    """Return a decoder that refuses unknown fields, so that none is lost unseen."""
    strict = msgspec.defstruct(
        f"Strict{kind.title()}", [], bases=(RECORDS[kind],), kw_only=True, frozen=True, forbid_unknown_fields=True
    )
    return msgspec.json.Decoder(strict)


def lines(kind: FileKind, frame: pd.DataFrame) -> Iterator[bytes]:
    """Yield a table's records as NDJSON lines: nulls left out, unknown fields back at the top level."""
    known = columns(kind)
    held = [cells(frame[name], known[name].kind) for name in known if name in frame]
    names = [name for name in known if name in frame]
    extras = frame.get("extra")
    encode = msgspec.json.Encoder().encode
    for place, row in enumerate(zip(*held, strict=True)):
        record = {k: v for k, v in zip(names, row, strict=True) if v is not None and v not in ([], {})}
        extra = None if extras is None else extras.iloc[place]
        if extra is not None:
            record |= msgspec.json.decode(extra)
        yield encode(record) + b"\n"


def cells(values: pd.Series, kind: str) -> list[Any]:
    """Return Python values with None for missing; times as RFC 3339 text no finer than they are."""
    if kind == "time":
        stamps = values.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("M8[us]")
        micros = stamps.astype(np.int64)
        unit: Literal["s", "ms", "us"] = "s" if not (micros % 1_000_000).any() else "us"
        if unit == "us" and not (micros % 1_000).any():
            unit = "ms"
        return [f"{text}Z" for text in np.datetime_as_string(stamps, unit=unit)]
    if kind == "whole":
        return [None if v is None or v != v else int(v) for v in values.tolist()]  # noqa: PLR0124  NaN is not itself
    if kind == "number":
        return [None if v != v else v for v in values.to_numpy(float).tolist()]  # noqa: PLR0124  NaN is not itself
    return [None if v is None or v is pd.NA or v != v else v for v in values.tolist()]  # noqa: PLR0124
