"""One record at a time: known fields typed, unknown ones kept, a start without an outcome only from a power log."""

from __future__ import annotations

import base64
import struct
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.complaint import Rejected
from ingest.rows import Good, from_line, from_mapping
from ingest.shapes import FILE_KINDS, FileKind, FileStart

START: dict[str, Any] = {"unit": "u1", "seq": 1, "at": "2026-01-14T12:00:00Z", "outcome": "ran"}


def _start(**change: object) -> Any:
    return from_line("starts", msgspec.json.encode(START | change), "a.ndjson", 1)


def test_unknown_fields_are_kept_as_json() -> None:
    read = _start(firmware="2.1", more={"a": [1]})
    assert isinstance(read, Good)
    assert msgspec.json.decode(read.extra or "") == {"firmware": "2.1", "more": {"a": [1]}}


def test_a_start_without_outcome_and_wave_is_taken_from_a_power_log_only() -> None:
    assert isinstance(_start(outcome=None, source="power_log"), Good)
    assert _start(outcome=None, source="somewhere").field == "outcome"
    assert _start(outcome=None).field == "outcome"


@pytest.mark.parametrize("at", ["1999-12-31T23:59:59Z", "2101-01-01T00:00:00Z"])
def test_a_time_of_an_unset_clock_is_refused(at: str) -> None:
    assert _start(at=at).text == "must be in the years 2000 to 2100"


def test_a_nul_which_no_table_can_hold_is_refused_wherever_it_stands() -> None:
    assert "NUL" in _start(unit="u\0").text
    assert "NUL" in _start(more={"a": ["\0"]}).text
    assert isinstance(_start(unit="u\\u0000"), Good)


def test_a_time_zone_that_nobody_knows_is_refused() -> None:
    assert isinstance(from_line("units", b'{"unit":"u","zone":"America/Denver"}', "a", 1), Good)
    for zone in ("Middle/Nowhere", "../etc", ""):
        read = from_line("units", msgspec.json.encode({"unit": "u", "zone": zone}), "a", 1)
        assert isinstance(read, Rejected)
        assert read.field == "zone"


def test_a_number_is_no_time() -> None:
    assert _start(at=1768392000).text.startswith("must be RFC 3339 text")


def test_a_wave_is_replaced_by_the_figures_that_it_gives() -> None:
    half = [10_000, -10_000]  # 60 Hz at 4 kHz is no whole number of samples; a flat top is all that is wanted here
    counts = [0] * 400 + half * 600 + [c // 5 for c in half] * 1800
    current = base64.b64encode(struct.pack(f"<{len(counts)}h", *counts)).decode()
    read = _start(outcome=None, wave={"rate_hz": 4000, "hz": 60, "current": current, "current_a": 0.01})
    assert isinstance(read, Good)
    assert isinstance(read.record, FileStart)
    assert (read.record.outcome, read.record.wave) == ("ran", None)
    assert read.record.peak_a == pytest.approx(100.0, rel=0.02)  # a square wave of 100 A has 100 A RMS
    assert read.record.run_a == pytest.approx(20.0, rel=0.02)


def test_a_wave_that_does_not_fit_together_is_refused_by_name() -> None:
    assert _start(wave={"rate_hz": 4000, "hz": 60, "current": "AAAA", "current_a": 1.0}).field.startswith("wave")
    assert _start(wave={"rate_hz": 40, "hz": 60, "current": "AAAAAAAA", "current_a": 1.0}).field == "wave.rate_hz"


@given(st.sampled_from(FILE_KINDS), st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_no_line_whatever_raises(kind: FileKind, line: bytes) -> None:
    assert from_line(kind, line, "a.ndjson", 1) is not None


def test_a_line_nested_beyond_reason_is_refused() -> None:
    assert "nested too deeply" in from_line("starts", b"[" * 100_000, "a.ndjson", 1).text  # type: ignore[union-attr]


def test_numbers_in_text_are_read_from_cells_and_refused_in_json() -> None:
    cells = START | {"seq": "12", "run_up_s": "0.25"}
    assert isinstance(from_mapping("starts", cells, "a.csv", 2, strict=False), Good)
    assert not isinstance(from_mapping("starts", cells, "a.ndjson", 2, strict=True), Good)
