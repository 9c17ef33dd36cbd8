"""A column's values at the speed of arrays, and for which rows they are surely right."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from ingest.cells import checked, decoded
from ingest.shapes import columns

STARTS = columns("starts")


def _of(name: str, *cells: object, kind: pa.DataType | None = None) -> tuple[list[object], list[bool]]:
    values, sure = checked(pa.chunked_array([pa.array(cells, kind)]), STARTS[name])
    return values.tolist(), sure.tolist()


@pytest.mark.parametrize(
    ("cells", "sure"),
    [
        ([b"0", b"60", b"60.1", b"-0.1"], [True, True, False, False]),
        ([None, b"nan", b"inf", b"x"], [True, True, False, False]),
        ([0.0, 60.0, 61.0, None], [True, True, False, True]),
    ],
)
def test_numbers_are_sure_inside_their_limits_and_where_they_may_be_missing(
    cells: list[object], sure: list[bool]
) -> None:
    assert _of("run_up_s", *cells)[1] == sure


def test_a_whole_number_that_every_record_needs_keeps_all_its_digits() -> None:
    values, sure = _of("seq", b"9223372036854775807", b"1.5", None)
    assert values[0] == 2**63 - 1
    assert sure == [True, False, False]


def test_an_optional_whole_number_may_be_written_as_a_decimal() -> None:
    assert _of("stage", b"1.0", b"2", b"1.5", b"3") == ([1.0, 2.0, 1.5, 3.0], [True, True, False, False])


def test_words_are_sure_if_they_are_of_the_list() -> None:
    values, sure = _of("outcome", b"ran", b"run", None, b"\xff")
    assert (values[0], values[2]) == ("ran", None)
    assert sure == [True, False, True, False]
    assert _of("unit", b"u", b"", None, b"u" * 201)[1] == [True, False, False, False]


def test_times_are_sure_with_an_offset_and_in_years_that_can_be() -> None:
    values, sure = checked(
        pa.chunked_array([pa.array([b"2026-01-14T13:00:00+01:00", b"2026-01-14T12:00:00", b"1999-01-01T00:00:00Z"])]),
        STARTS["at"],
    )
    assert values[0] == np.datetime64("2026-01-14T12:00:00", "us")
    assert sure.tolist() == [True, False, False]


def test_bytes_that_are_no_text_stay_bytes() -> None:
    assert (decoded(b"a\xc3\xa9"), decoded(b"\xff"), decoded(3)) == ("aé", b"\xff", 3)
