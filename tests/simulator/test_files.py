"""The files of a simulated fleet: the contract's shapes, nothing rejected, the same bytes for the same seed."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pandas as pd
import pytest

from ingest import files as ingest_files
from ingest.errors import UnavailableError
from ingest.shapes import FILE_KINDS, RECORDS
from simulator import files
from simulator.fleet import batches, simulate


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("fleet") / "winter"
    files.write_all(batches(52, 25, 11), path)
    return path


def test_every_record_is_valid_on_the_wire_and_none_is_rejected(folder: Path) -> None:
    for kind in FILE_KINDS:
        path = folder / f"{kind}.ndjson"
        for line in path.read_bytes().splitlines():
            msgspec.json.decode(line, type=RECORDS[kind])
        table, rejected = ingest_files.read(kind, [path])
        assert rejected == []
        assert len(table) == len(path.read_bytes().splitlines())


def test_what_is_read_back_is_what_was_simulated(folder: Path) -> None:
    fleet = simulate(52, 25, 11)
    for kind in FILE_KINDS:
        table, _ = ingest_files.read(kind, [folder / f"{kind}.ndjson"])
        pd.testing.assert_frame_equal(table, getattr(fleet, kind), check_column_type=False)


def test_the_same_seed_writes_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    count = files.write(simulate(52, 25, 11), tmp_path)
    assert count["units"] == count["truth"] == 52
    for name in files.NAMES:
        assert (tmp_path / f"{name}.ndjson").read_bytes() == (folder / f"{name}.ndjson").read_bytes(), name


def test_truth_has_one_line_a_unit_with_every_key(folder: Path) -> None:
    lines = [json.loads(line) for line in (folder / "truth.ndjson").read_text().splitlines()]
    assert len(lines) == 52
    for line in lines:
        assert line.keys() >= {"unit", "cause", "growth", "repairs", "lockout_probability"}
        assert (line["cause"] == "none") or "onset" in line
        assert len(line["lockout_probability"]) == 25


def test_a_folder_that_cannot_be_made_is_one_line_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UnavailableError, match=r"file.*cannot write .*name another --out"):
        files.write(simulate(1, 2, 1), tmp_path / "file")
