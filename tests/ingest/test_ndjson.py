"""NDJSON in blocks: what is read does not depend on where a block ends."""

from __future__ import annotations

import io
import json

import pandas as pd
import pytest

from ingest import frames, ndjson
from ingest.errors import BadInputError


def _lines(count: int) -> bytes:
    rows = [
        {"unit": f"u{i % 7}", "seq": i, "at": f"2026-01-14T12:00:{i % 60:02d}Z", "outcome": "ran"} for i in range(count)
    ]
    return "\n".join(map(json.dumps, rows)).encode()


def test_blocks_end_anywhere_and_lines_count_on(monkeypatch: pytest.MonkeyPatch) -> None:
    text = _lines(50) + b"\r\n\r\nbad\n" + _lines(2)
    whole, wrong = _read(text)
    assert [(r.line, r.field) for r in wrong] == [(52, "")]
    for size in (17, 1000, 4096):
        monkeypatch.setattr(ndjson, "BLOCK", size)
        table, rejected = _read(text)
        pd.testing.assert_frame_equal(table, whole)
        assert rejected == wrong
    assert len(whole) == 52


def test_a_byte_order_mark_is_passed_over() -> None:
    table, rejected = _read(b"\xef\xbb\xbf" + _lines(1))
    assert (len(table), rejected) == (1, [])


def test_a_line_without_end_is_refused_before_it_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ndjson, "LONGEST_LINE", 1000)
    monkeypatch.setattr(ndjson, "BLOCK", 100)
    with pytest.raises(BadInputError, match="write one JSON object a line"):
        _read(b"[" * 5000)


def test_nulls_are_left_out_and_times_are_no_finer_than_they_are() -> None:
    table, _ = _read(_lines(1))
    assert next(ndjson.lines("starts", table)) == (
        b'{"unit":"u0","seq":0,"at":"2026-01-14T12:00:00Z","outcome":"ran"}\n'
    )


def _read(text: bytes) -> tuple[pd.DataFrame, list[object]]:
    parts, bad = [], []
    for table, rejected in ndjson.batches("starts", io.BytesIO(text), "a.ndjson"):
        parts.append(table)
        bad.extend(rejected)
    return frames.concat("starts", parts), bad
