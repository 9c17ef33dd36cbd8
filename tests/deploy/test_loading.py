"""A load that was broken off goes on where it was, whatever the format; all that is left out is counted, few named."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import psycopg
import pytest

from deploy.cli import main
from deploy.loading import Tally, note
from ingest import files, frames, store
from ingest.complaint import Rejected
from ingest.database import connect

ROWS = 60


@pytest.fixture(autouse=True)
def account(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str | None:
    """A database with one account, and batches of ten rows."""
    if "stack" not in request.keywords:
        return None
    database: str = request.getfixturevalue("database")
    for name in ("HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HALFSECOND_DATABASE", database)
    monkeypatch.setattr("ingest.tabular.BATCH_ROWS", 10)
    monkeypatch.setattr("ingest.tabular.CSV_BLOCK", 700)
    monkeypatch.setattr("ingest.ndjson.BLOCK", 700)
    with connect(database) as connection:
        store.account(connection, "Larkfell Heating (example)", create=True)
    return database


def table(rows: int = ROWS) -> pd.DataFrame:
    at = pd.date_range("2026-01-14", periods=rows, freq="h", tz="UTC").as_unit("us")
    columns: dict[str, Any] = {"unit": ["u-1"] * rows, "seq": list(range(rows)), "outcome": ["ran"] * rows}
    return frames.frame("starts", columns | {"at": at.tz_localize(None).to_numpy()})


def numbers(database: str) -> list[int]:
    with psycopg.connect(database) as connection:
        return [seq for (seq,) in connection.execute("select seq from start order by seq")]


@pytest.mark.stack
@pytest.mark.parametrize("ending", ["ndjson", "csv", "parquet", "csv.gz", "ndjson.gz"])
def test_a_load_that_was_broken_off_goes_on_after_the_last_batch_that_was_stored(
    database: str, tmp_path: Path, ending: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / f"starts.{ending}"
    files.write("starts", table(), path)
    put, stored = store.put_starts, []

    def breaking(*arguments: Any, **named: Any) -> Any:
        if len(stored) == 3:
            raise psycopg.OperationalError("the server went away")
        stored.append(len(arguments[2]))
        return put(*arguments, **named)

    monkeypatch.setattr(store, "put_starts", breaking)
    assert main(["load", "starts", str(path)]) == 2
    assert "it goes on where it was" in capsys.readouterr().err
    first = sum(stored)
    assert 0 < first < ROWS
    assert numbers(database) == list(range(first))

    monkeypatch.setattr(store, "put_starts", put)
    assert main(["load", "starts", str(path)]) == 0
    said = capsys.readouterr()
    assert f"stored {ROWS - first} starts of 1 unit (0 doubles, 0 left out)" in said.out
    assert "goes on where a load was broken off" in said.err
    assert numbers(database) == list(range(ROWS))

    # Through: loaded once more it is read from its beginning.
    assert main(["load", "starts", str(path)]) == 0
    assert f"stored 0 starts of 1 unit ({ROWS} doubles, 0 left out)" in capsys.readouterr().out


@pytest.mark.stack
def test_a_file_that_has_changed_is_read_from_its_beginning(
    database: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "starts.parquet"
    files.write("starts", table(), path)
    with connect(database) as connection:
        connection.execute("insert into load_mark values (1, 'starts', %s, 3)", (files.digest(path, b""),))
    files.write("starts", table(ROWS + 1), path)
    assert main(["load", "starts", str(path)]) == 0
    said = capsys.readouterr()
    assert "goes on" not in said.err
    assert numbers(database) == list(range(ROWS + 1))


def test_a_digest_tells_files_and_their_mappings_apart(tmp_path: Path) -> None:
    path, other = tmp_path / "a.csv", tmp_path / "b.csv"
    path.write_text("unit,seq\n1,2\n")
    other.write_text("unit,seq\n1,3\n")
    assert files.digest(path) == files.digest(path)
    assert len({files.digest(path), files.digest(other), files.digest(path, b"mapping")}) == 3


def test_of_many_records_left_out_few_are_kept_and_all_are_counted() -> None:
    tally = Tally()

    def rejected() -> Iterator[Rejected]:
        yield from (Rejected("f", n, "seq", "missing") for n in range(1_000))

    for _ in range(3):
        note(tally, list(rejected()))
    assert tally.left_out == 3_000
    assert [bad.line for bad in tally.bad] == [0, 1, 2, 3, 4]
