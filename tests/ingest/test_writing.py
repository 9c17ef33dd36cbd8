"""What is written is whole or not there, and each key is written once."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from ingest import frames, writing
from ingest.errors import BadInputError, UnavailableError


def _table(*seqs: int) -> pd.DataFrame:
    count = len(seqs)
    return frames.frame(
        "starts",
        {
            "unit": ["u"] * count,
            "seq": list(seqs),
            "at": [datetime(2026, 1, 1, tzinfo=UTC)] * count,
            "outcome": ["ran"] * count,
        },
    )


def _broken() -> Iterator[bytes]:
    yield b"half"
    raise ValueError("not bytes")


def test_a_file_is_there_only_once_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.write_text("before")
    with pytest.raises(ValueError, match="not bytes"), writing.opened_for_lines(path) as out:
        out.writelines(_broken())
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["a.ndjson"]


def test_lines_are_packed_where_the_name_says_so(tmp_path: Path) -> None:
    with writing.opened_for_lines(tmp_path / "a.ndjson.gz") as out:
        writing.append("starts", _table(1), out)
    assert gzip.decompress((tmp_path / "a.ndjson.gz").read_bytes()).startswith(b'{"unit":"u","seq":1,')


def test_a_file_that_is_also_read_or_of_another_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.touch()
    with pytest.raises(BadInputError, match="is also read"), writing.opened_for_lines(path, [path]):
        pass
    with (
        pytest.raises(BadInputError, match=r"let its name end in \.ndjson"),
        writing.opened_for_lines(tmp_path / "a.csv"),
    ):
        pass
    with pytest.raises(UnavailableError, match="cannot be written"), writing.opened_for_lines(tmp_path / "no" / "a"):
        pass
