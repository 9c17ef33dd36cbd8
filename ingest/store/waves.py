"""Sampled starts: a few of each unit are kept whole, so that somebody can look at one.

The last that ran, the last that locked, the first after the newest visit and the last that ran before it. Waves come
with few starts and most loggers send none: what is here is called only where a payload holds one.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal, NamedTuple, cast

import msgspec
import numpy as np
import psycopg

from ingest import energising
from ingest.halfcycle import Array
from ingest.named_sql import queries
from ingest.wave import samples
from ingest.wire import START_FIELDS, Wave

Kept = Literal["ran", "locked", "before_visit", "after_visit"]
"""Why a wave is kept."""
BEFORE_S = 0.1
AFTER_S = 0.5
LONGEST_S = 3.0
NOT_UP_S = 1.2
"""What is kept of a wave [s]: before energising, after the run-up, in all at most, and where it never ran up."""
_COUNT = np.dtype("<i2")
_OUTCOME = START_FIELDS.index("outcome")


class Waved(NamedTuple):
    """A wave as it came, by the unit and the number of its start."""

    unit_id: int
    seq: int
    wave: Wave


class _Sampled(msgspec.Struct):
    seq: int
    wave: Wave | None = None


_ITEM = msgspec.json.Decoder(_Sampled)
_ITEMS = msgspec.json.Decoder(list[msgspec.Raw])


def found(payload: bytes, unit_id: int, seqs: Iterable[int]) -> list[Waved]:
    """Return the waves in a payload of starts.

    Parameters
    ----------
    payload
        As it came.
    unit_id
        Whose it is.
    seqs
        Numbers of its starts that can be used; the waves of others are left out.
    """
    usable = set(seqs)
    many = payload.lstrip(b" \t\r\n")[:1] == b"["
    waves: list[Waved] = []
    for item in _ITEMS.decode(payload) if many else [payload]:
        try:
            read = _ITEM.decode(item)
        except (ValueError, RecursionError):  # one that went into quarantine
            continue
        if read.wave is not None and read.seq in usable:
            waves.append(Waved(unit_id, read.seq, read.wave))
    return waves


def keep(connection: psycopg.Connection, waves: Sequence[Waved], rows: Iterable[Sequence[Any]]) -> None:
    """Keep waves in the caller's transaction, where they are newer than what is kept for the same reason.

    Parameters
    ----------
    waves
        Of starts in ``rows``; those of other starts are not kept.
    rows
        Starts as :func:`ingest.store.series.merge` takes them, at the times under which they are stored.
    """
    width = len(START_FIELDS)
    stored = {(row[width + 1], row[0]): row for row in rows}
    mine = [(stored[key], one.wave) for one in waves if (key := (one.unit_id, one.seq)) in stored]
    # One order, so that two intakes never wait crosswise, and of each unit the newest last.
    mine.sort(key=lambda pair: (pair[0][width + 1], pair[0][1]))
    follows = _follow_a_visit(connection, [row for row, _ in mine])
    newest = {(row[width + 1], row[_OUTCOME]): row[0] for row, _ in mine if row[_OUTCOME] in {"ran", "locked"}}
    for row, wave in mine:
        after_visit = (row[width + 1], row[0]) in follows
        last = newest.get((row[width + 1], row[_OUTCOME])) == row[0]
        if not after_visit and not last:
            continue
        values = _values(row, wave)
        if after_visit:
            connection.execute(_SQL["keep_after_visit"], values)
        if last:
            connection.execute(_SQL["keep_last"], values)


def _follow_a_visit(connection: psycopg.Connection, rows: Sequence[Sequence[Any]]) -> set[tuple[int, int]]:
    """Return unit and number of the starts that follow a visit of which no wave is kept yet."""
    width = len(START_FIELDS)
    told = {
        "accounts": [row[width] for row in rows],
        "units": [row[width + 1] for row in rows],
        "seqs": [row[0] for row in rows],
        "at": [row[1] for row in rows],
    }
    return set(connection.execute(_SQL["follow_a_visit"], told).fetchall())


def of_unit(
    connection: psycopg.Connection[Any], account_id: int, unit_id: int, kept: Kept | None = None
) -> list[Mapping[str, Any]]:
    """Return what is kept of a unit, newest first, the samples unpacked.

    Returns
    -------
    list of dict
        ``kept at seq outcome run_up_s peak_a run_a line_v line_min_v outdoor_c rate_hz hz energised_s``, and the
        samples ``current_a`` [A] and ``voltage_v`` [V], the latter None where none was recorded.
    """
    wanted = {"account_id": account_id, "unit_id": unit_id, "kept": kept}
    with connection.cursor(row_factory=psycopg.rows.dict_row) as cursor:
        told = cursor.execute(_SQL["of_unit"], wanted).fetchall()
    return [
        {name: value for name, value in row.items() if name not in {"current", "voltage"}}
        | {
            "current_a": row["current_a"] * unpack(row["current"]),
            "voltage_v": None if row["voltage"] is None else row["voltage_v"] * unpack(row["voltage"]),
        }
        for row in told
    ]


def pack(counts: np.ndarray[Any, np.dtype[np.int16]]) -> bytes:
    """Return 16-bit counts as few bytes: differences, high and low bytes apart, deflated."""
    steps = np.diff(counts.astype(_COUNT), prepend=_COUNT.type(0))  # wraps, and so does the sum that undoes it
    return zlib.compress(np.ascontiguousarray(steps.view(np.uint8).reshape(-1, 2).T).tobytes(), 1)


def unpack(packed: bytes) -> Array:
    """Return the counts that :func:`pack` packed."""
    planes = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(2, -1)
    steps = np.ascontiguousarray(planes.T).reshape(-1).view(_COUNT)
    return np.cumsum(steps, dtype=np.int16).astype(np.float64)


def _values(row: Sequence[Any], wave: Wave) -> dict[str, Any]:
    """Return what is stored of a wave: its span about the run-up, packed."""
    told = dict(zip(START_FIELDS, row, strict=False))
    current, voltage = samples(wave)
    span = energising.find(current, voltage, wave.rate_hz / wave.hz)
    ends_s = NOT_UP_S if told["run_up_s"] is None else min(told["run_up_s"] + AFTER_S, LONGEST_S)
    first = max(0, int(span.begin - BEFORE_S * wave.rate_hz))
    part = slice(first, int(span.begin + ends_s * wave.rate_hz) + 1)
    counts = np.frombuffer(wave.current, _COUNT)[part]
    has_voltage = wave.voltage is not None and wave.voltage_v is not None
    return {
        "account_id": row[len(START_FIELDS)],
        "unit_id": row[len(START_FIELDS) + 1],
        "kept": told["outcome"],
        "at": cast("datetime", told["at"]),
        "seq": told["seq"],
        "rate_hz": wave.rate_hz,
        "hz": wave.hz,
        "energised_s": (span.begin - first) / wave.rate_hz if span.seen else None,
        "current_a": wave.current_a,
        "current": pack(counts),
        "voltage_v": wave.voltage_v if has_voltage else None,
        "voltage": pack(np.frombuffer(wave.voltage or b"", _COUNT)[part]) if has_voltage else None,
    }


_SQL = queries("ingest", "sql/waves.sql")
