"""Whole columns are encoded for COPY as the driver encodes value by value."""

from __future__ import annotations

import io
import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.database import connect
from ingest.store import binary

TEXT = st.none() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
ROW = st.tuples(
    st.integers(-(2**63), 2**63 - 1),
    st.none() | st.floats(width=32, allow_nan=False),
    st.none() | st.integers(-(2**15), 2**15 - 1),
    st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)),  # noqa: DTZ001 - UTC is put on below
    TEXT,
)


def encoded(rows: list[tuple[Any, ...]]) -> bytes:
    numbers, reals, small, times, texts = (list(column) for column in zip(*rows, strict=True))
    nothing = np.array([v is None for v in reals])
    no_small = np.array([v is None for v in small])
    columns = [
        binary.numbers(np.array(numbers, np.int64), ">i8"),
        binary.numbers([v or 0.0 for v in reals], ">f4", nothing),
        binary.numbers([v or 0 for v in small], ">i2", no_small),
        binary.times(np.array(times, "M8[us]")),
        binary.words(np.array([*texts, None], object)[:-1]),
    ]
    return binary.rows([column for column in columns if column is not None])


def test_one_record_is_laid_out_as_the_format_says() -> None:
    # published: PostgreSQL documentation, COPY, Binary Format: signature, flags, extension, fields with their lengths
    text = encoded([(1, None, 2, datetime(2000, 1, 1, 0, 0, 1), "ä")])  # noqa: DTZ001
    assert text == (
        b"PGCOPY\n\xff\r\n\0" + struct.pack(">ii", 0, 0)
        + struct.pack(">h", 5)
        + struct.pack(">iq", 8, 1)
        + struct.pack(">i", -1)
        + struct.pack(">ih", 2, 2)
        + struct.pack(">iq", 8, 1_000_000)
        + struct.pack(">i", 2) + "ä".encode()
        + struct.pack(">h", -1)
    )  # fmt: skip


@pytest.mark.stack
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(ROW, min_size=1, max_size=30))
def test_the_server_reads_what_was_written(database: str, rows: list[tuple[Any, ...]]) -> None:
    with connect(database) as connection:
        connection.execute("create temp table t (a int8, b float4, c int2, d timestamptz, e text)")
        with connection.cursor() as cursor, cursor.copy("copy t from stdin (format binary)") as copy:
            copy.write(encoded(rows))
        found = connection.execute("select a, b::float8, c, d, e from t").fetchall()
    assert found == [(a, b, c, d.replace(tzinfo=UTC), e) for a, b, c, d, e in rows]


@pytest.mark.stack
def test_the_bytes_are_those_of_the_driver(database: str) -> None:
    """The peer is psycopg's own binary COPY of the same values."""
    at = datetime(2024, 1, 14, 12, tzinfo=UTC)
    rows = [
        (n, None if n % 3 else n / 7, None if n % 5 else n, at + timedelta(microseconds=n), ["ran", None][n % 2])
        for n in range(50)
    ]
    with connect(database) as connection, connection.cursor() as cursor:
        cursor.execute("create temp table t (a int8, b float4, c int2, d timestamptz, e text)")
        with cursor.copy("copy t from stdin (format binary)") as copy:
            copy.set_types(["int8", "float4", "int2", "timestamptz", "text"])
            for row in rows:
                copy.write_row(row)
        out = io.BytesIO()
        with cursor.copy("copy (select * from t) to stdout (format binary)") as back:
            for part in back:
                out.write(part)
    assert encoded([(*row[:3], row[3].replace(tzinfo=None), row[4]) for row in rows]) == out.getvalue()


def test_words_too_wide_for_a_matrix_are_refused_and_few_words_are_laid_out_once() -> None:
    assert binary.words(np.array(["x" * (binary.WIDEST + 1)], object)) is None
    some = binary.words(pd.Series(["ran", None, "locked", "ran"], dtype=object), before=b"\x01")
    assert some is not None
    assert some.lengths.tolist() == [4, -1, 7, 4]
    assert bytes(some.cells[2]) == b"\x01locked"
    nothing = binary.words(np.array([None, None], object))
    assert nothing is not None
    assert nothing.lengths.tolist() == [-1, -1]
