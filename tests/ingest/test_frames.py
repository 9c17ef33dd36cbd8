"""Tables have one dtype a column, whatever they were made from."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import frames
from ingest.shapes import FILE_KINDS, FileKind, columns
from ingest.wire import At


@pytest.mark.parametrize("kind", FILE_KINDS)
def test_an_empty_table_has_the_columns_and_dtypes_of_a_full_one(kind: FileKind) -> None:
    empty = frames.empty(kind)
    assert list(empty) == list(columns(kind))
    assert not len(empty)
    times = [name for name, column in columns(kind).items() if column.kind == "time"]
    assert all(str(empty[name].dtype) == "datetime64[us, UTC]" for name in times)


def test_missing_numbers_are_nan_and_missing_words_none() -> None:
    table = frames.frame("starts", {"unit": ["u"], "seq": [1], "at": [datetime(2026, 1, 1, tzinfo=UTC)]})
    row = table.iloc[0]
    assert np.isnan(row["run_up_s"])
    assert row["outcome"] is None
    assert table["seq"].dtype == np.int64


@pytest.mark.published
def test_times_with_offsets_come_out_in_utc_as_in_the_examples_of_rfc_3339() -> None:
    # RFC 3339, section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z; 1985-04-12T23:20:50.52Z.
    said = ["1996-12-19T16:39:57-08:00", "1985-04-12T23:20:50.52Z"]
    times = [msgspec.convert(text, At) for text in said]
    table = frames.frame("visits", {"unit": ["u", "u"], "at": times, "work": [["other"]] * 2})
    assert table["at"].dt.strftime("%Y-%m-%dT%H:%M:%S.%f").tolist() == [
        "1996-12-20T00:39:57.000000",
        "1985-04-12T23:20:50.520000",
    ]


@given(st.datetimes(datetime(2000, 1, 1), datetime(2100, 12, 31)))  # noqa: DTZ001
def test_every_microsecond_of_the_years_2000_to_2100_is_kept(at: datetime) -> None:
    table = frames.frame("visits", {"unit": ["u"], "at": [at.replace(tzinfo=UTC)], "work": [["other"]]})
    since = at - datetime(1970, 1, 1)  # noqa: DTZ001
    assert table["at"].astype("int64")[0] == since // timedelta(microseconds=1)


def test_tables_with_and_without_unknown_fields_go_under_one_another() -> None:
    arrays = {"unit": ["u"], "seq": [1], "at": [datetime(2026, 1, 1, tzinfo=UTC)]}
    both = frames.concat("starts", [frames.frame("starts", arrays), frames.frame("starts", arrays, ['{"a":1}'])])
    assert both["extra"].tolist() == [None, '{"a":1}']
    assert both.index.tolist() == [0, 1]
    pd.testing.assert_frame_equal(frames.concat("starts", []), frames.empty("starts"))
