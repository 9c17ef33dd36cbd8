"""Files of records: the same table from every format, the good kept, the bad named, the useless refused in one line."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import files
from ingest.errors import BadInputError, UnavailableError
from ingest.shapes import FILE_KINDS, FileKind
from tests.ingest.made_records import tables

ENDINGS = ["ndjson", "csv", "parquet", "ndjson.gz", "csv.gz", "parquet.gz"]
GOOD = '{"unit":"u1","seq":%d,"at":"2026-01-14T12:00:00Z","outcome":"ran"}\n'


@pytest.mark.parametrize("kind", FILE_KINDS)
@given(data=st.data())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_written_in_any_format_is_read_back_equal(data: st.DataObject, kind: FileKind, tmp_path: Path) -> None:
    table = data.draw(tables(kind))
    ending = data.draw(st.sampled_from(ENDINGS))
    path = tmp_path / f"records.{ending}"
    files.write(kind, table, path)
    back, rejected = files.read(kind, [path])
    assert rejected == []
    pd.testing.assert_frame_equal(back, table, check_exact=True)


def test_records_that_cannot_be_used_are_named_and_the_others_kept_in_order(tmp_path: Path) -> None:
    path = tmp_path / "starts.ndjson"
    path.write_text(GOOD % 1 + '{"unit":"u1","at":"2026-01-14T12:00:00Z","outcome":"ran"}\n\nnonsense\n' + GOOD % 2)
    table, rejected = files.read("starts", [path])
    assert table["seq"].tolist() == [1, 2]
    assert [(r.line, r.field) for r in rejected] == [(2, "seq"), (4, "")]
    assert str(rejected[0]) == f"{path}, line 2: seq: missing; every record needs it"


def test_several_files_of_different_formats_make_one_table(tmp_path: Path) -> None:
    first, second = tmp_path / "a.ndjson", tmp_path / "b.csv"
    first.write_text(GOOD % 1)
    second.write_text("unit,seq,at,outcome,extra_word\nu2,2,2026-01-14T12:00:00Z,locked,hello\n")
    table, rejected = files.read("starts", [first, second])
    assert rejected == []
    assert table[["unit", "outcome"]].to_numpy().tolist() == [["u1", "ran"], ["u2", "locked"]]
    assert table["extra"].tolist() == [None, '{"extra_word":"hello"}']


def test_stdlib_json_reads_from_the_ndjson_what_the_table_holds(tmp_path: Path) -> None:
    path = tmp_path / "rests.ndjson"
    rest = {"unit": "u1", "seq": 7, "at": "2026-01-14T12:17:07.250Z", "t_s": [0.0, 10.5], "suction_kpa": [395.0, None]}
    path.write_text(json.dumps(rest))
    table, _ = files.read("rests", [path])
    files.write("rests", table, tmp_path / "again.ndjson")
    assert json.loads((tmp_path / "again.ndjson").read_text()) == rest


def test_a_log_is_read_with_all_its_columns_and_without_empty_lines_at_its_end(tmp_path: Path) -> None:
    path = tmp_path / "log.csv.gz"
    path.write_bytes(gzip.compress(b"case,w\nx,1\nx,\nx\n\n"))
    log, ragged = files.read_log(path)
    assert log.to_numpy().tolist() == [["x", "1"], ["x", None]]
    assert [r.line for r in ragged] == [4]


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("none.ndjson", None, "no such file"),
        ("notes.txt", b"x", "unknown ending"),
        ("a.csv", b"", "is empty; its first line must name the columns"),
        ("a.csv", b"unit,seq,att,outcome\n", "no column 'at', which starts need; is it 'att'? rename it"),
        ("a.csv", b"unit;seq;at\n", "not parted by commas"),
        ("a.csv", b"unit,seq,at,at\n", "column 'at' is there twice"),
        ("a.csv", b"unit,seq,at,wave\n", "column 'wave' can stand in NDJSON only"),
        ("a.csv", "unit,seq,at\n".encode("utf-16"), "is UTF-16; save it as UTF-8"),
        ("a.csv", b"un\xefit,seq,at\n", "no CSV header in UTF-8"),
        ("a.ndjson", GOOD.encode("utf-16"), "is UTF-16; save it as UTF-8"),
        ("a.csv.gz", b"unit,seq,at\n", "its gzip data is damaged"),
        ("a.ndjson.gz", gzip.compress((GOOD % 1).encode() * 99)[:-12], "its gzip data is damaged"),
        ("a.parquet", b"PAR1", "not a Parquet file that can be read"),
    ],
)
def test_a_file_that_is_of_no_use_gets_one_line_with_the_remedy(
    tmp_path: Path, name: str, content: bytes | None, told: str
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadInputError) as caught:
        files.read("starts", [path])
    assert str(caught.value).startswith(str(path))
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="is a folder; name a file in it"):
        files.read("starts", [tmp_path])


def test_times_without_a_zone_in_parquet_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    pd.DataFrame({"unit": ["u"], "seq": [1], "at": [pd.Timestamp("2026-01-01")], "outcome": ["ran"]}).to_parquet(path)
    with pytest.raises(BadInputError, match="write it as a timestamp with a time zone"):
        files.read("starts", [path])


def test_a_parquet_of_pandas_with_categories_nanoseconds_and_small_numbers_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    pd.DataFrame(
        {
            "unit": pd.Categorical(["u1", "u2"]),
            "seq": np.array([1, 2], np.int32),
            "at": pd.to_datetime(np.array([1_768_392_000_000_000_001, 1_768_392_001_000_000_000]), utc=True),
            "outcome": ["ran", None],
            "run_up_s": np.array([0.25, np.nan], np.float32),
            "stage": pd.array([1, None], "Int8"),
            "source": [None, "power_log"],
        }
    ).to_parquet(path)
    table, rejected = files.read("starts", [path])
    assert rejected == []
    assert table["at"].dt.strftime("%S.%f").tolist() == ["00.000000", "01.000000"]
    assert table["run_up_s"].tolist()[0] == 0.25
    assert table["stage"].isna().tolist() == [False, True]
    assert table["outcome"].tolist() == ["ran", None]


def test_a_folder_that_cannot_be_written_to_gets_one_line(tmp_path: Path) -> None:
    table, _ = files.read("starts", [_one(tmp_path)])
    with pytest.raises(UnavailableError, match="cannot be written"):
        files.write("starts", table, tmp_path / "none" / "a.ndjson")


def test_at_most_five_problems_are_told_and_the_rest_counted(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.write_text("x\n" * 8)
    _, rejected = files.read("starts", [path])
    told = files.summary(rejected)
    assert len(told) == 6
    assert told[-1] == "and 3 more records left out"


def _one(folder: Path) -> Path:
    path = folder / "one.ndjson"
    path.write_text(GOOD % 1)
    return path
