"""CSV and Parquet row by row and column by column come to the same."""

from __future__ import annotations

import io

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import frames, rows, tabular
from ingest.complaint import Rejected
from ingest.shapes import columns


def _csv(text: bytes, kind: str = "starts") -> tuple[pd.DataFrame, list[Rejected]]:
    parts, bad = [], []
    for table, rejected in tabular.csv_batches(kind, io.BytesIO(text), "a.csv"):  # type: ignore[arg-type]
        parts.append(table)
        bad.extend(rejected)
    return frames.concat(kind, parts), bad  # type: ignore[arg-type]


HEAD = b"unit,seq,at,outcome,run_up_s,stage\n"
TIMES = [
    "2026-01-14T12:00:00Z",
    "2026-01-14 12:00:00+01:00",
    "2026-01-14T12:00:00",
    "1999-01-01T00:00:00Z",
    "2026-01-14",
]
NUMBERS = ["", " ", "0", "1", "2", "1.0", "1.5", "-1", "nan", "inf", "1e3", "61"]
CELLS = st.sampled_from([*NUMBERS, *TIMES, "x", "ran", "locked", "u1", "true"])


@given(st.lists(st.tuples(*[CELLS] * 4), min_size=1, max_size=6))
@settings(deadline=None)
def test_the_columns_vouch_for_nothing_that_the_row_by_row_reader_would_refuse(cells: list[tuple[str, ...]]) -> None:
    names = ["seq", "at", "outcome", "run_up_s"]
    table = pa.table(
        {"unit": [b"u"] * len(cells)} | {n: [c[i].encode() or None for c in cells] for i, n in enumerate(names)}
    )
    _, sure = tabular._sure("starts", table)
    for row, vouched in zip(table.to_pylist(), sure, strict=True):
        read = tabular._row("starts", row, "a.csv", 1, text=True)
        assert isinstance(read, rows.Good) or not vouched


def test_rows_that_do_not_fit_are_named_by_their_line_and_the_others_kept_in_order() -> None:
    table, bad = _csv(
        HEAD + b"u1,1,2026-01-14T12:00:00Z,ran,0.2,1.0\n"
        b"u1,2,2026-01-14 13:00:00+01:00,ran,x,\n"
        b"\n"
        b"u1,3\n"
        b"u1,4,2026-01-14T12:00:00z,ran,,2\n"
        b"u1,5,2026-01-14T12:00:00,ran,,\n"
        b"u1,6,2026-01-14T12:00:00Z,ran,inf,\n"
        b",7,2026-01-14T12:00:00Z,ran,,\n"
        b"u\xff,8,2026-01-14T12:00:00Z,ran,,\n"
        b"u1,9,2026-01-14T12:00:00Z,ran,nan,2\n"
    )
    assert table["seq"].tolist() == [1, 4, 9]
    assert table["stage"].tolist() == [1.0, 2.0, 2.0]
    assert sorted((r.line, r.field) for r in bad) == [
        (3, "run_up_s"),
        (5, ""),
        (7, "at"),
        (8, "run_up_s"),
        (9, "unit"),
        (10, "unit"),
    ]


@pytest.mark.published
def test_quoted_cells_are_read_as_rfc_4180_says() -> None:
    # RFC 4180, section 2, rules 5 to 7: quotes, a line break inside quotes, and doubled quotes ("b""bb").
    text = b'unit,seq,at,event,detail\r\n"aaa",1,2026-01-14T12:00:00Z,reset,"b\r\nbb"\r\n'
    text += b'"aaa",2,2026-01-14T12:00:00Z,reset,"b""bb"\r\n"a,b",3,2026-01-14T12:00:00Z,reset,'
    table, bad = _csv(text, "events")
    assert bad == []
    assert table["detail"].tolist() == ["b\r\nbb", 'b"bb', None]
    assert table["unit"].tolist() == ["aaa", "aaa", "a,b"]


def test_the_numbers_are_those_that_pandas_reads() -> None:
    text = HEAD + b"".join(f"u{i},{i},2026-01-14T12:00:{i:02d}Z,ran,{i / 7!r},\n".encode() for i in range(60))
    table, _ = _csv(text)
    peer = pd.read_csv(io.BytesIO(text), parse_dates=["at"])
    assert table["run_up_s"].tolist() == peer["run_up_s"].tolist()
    assert (table["at"] == peer["at"]).all()


def test_lists_stand_in_their_cell_as_json() -> None:
    table, bad = _csv(
        b'unit,seq,at,t_s,suction_kpa\nu,1,2026-01-14T12:00:00Z,"[0,10]","[1,null]"\nu,2,2026-01-14T12:00:00Z,"[0",\n',
        "rests",
    )
    assert table.loc[0, "t_s"] == [0.0, 10.0]
    assert table.loc[0, "suction_kpa"] == [1.0, None]
    assert [(r.line, r.field) for r in bad] == [(3, "t_s")]


def test_every_limit_of_a_start_holds_in_a_column_as_in_the_struct() -> None:
    base = {"unit": "u", "seq": "1", "at": "2026-01-14T12:00:00Z", "outcome": "ran"}
    for column in columns("starts").values():
        if column.kind != "number" or column.high is None or column.low is None:
            continue
        for value, right in [
            (column.low, True),
            (column.high, True),
            (column.low - 1, False),
            (column.high + 1, False),
        ]:
            row = base | {column.name: repr(float(value))}
            table, bad = _csv((",".join(row) + "\n" + ",".join(row.values()) + "\n").encode())
            assert (len(table) == 1, len(bad) == 0) == (right, right), (column.name, value)
