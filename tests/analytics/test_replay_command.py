from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType

import pytest

from deploy.cli import main
from ingest import files


@pytest.fixture
def folder(tmp_path: Path, made: ModuleType) -> Path:
    tables = made.fleet(2, 10, 3).tables
    files.write("starts", tables.starts, tmp_path / "starts.ndjson")
    files.write("units", tables.units, tmp_path / "units.csv")
    return tmp_path


def _run(folder: Path, *more: str) -> int:
    starts, units, out = (str(folder / name) for name in ("starts.ndjson", "units.csv", "out.ndjson"))
    return main(["replay", "--starts", starts, "--units", units, "--out", out, *more])


def _out(folder: Path) -> list[dict]:
    return [json.loads(line) for line in (folder / "out.ndjson").read_text().splitlines()]


def test_one_line_a_unit_a_date_is_written(folder: Path) -> None:
    assert _run(folder) == 0
    lines = _out(folder)
    assert len(lines) == 20
    assert {v["unit"] for v in lines} == {"u-0000", "u-0001"}


def test_limits_and_steps_are_taken(folder: Path) -> None:
    assert _run(folder, "--from", "2030-10-04", "--to", "2030-10-05", "--every", "12h") == 0
    assert [v["as_of"] for v in _out(folder)[::2]] == [
        "2030-10-04T00:00:00Z",
        "2030-10-04T12:00:00Z",
        "2030-10-05T00:00:00Z",
    ]


def test_standard_output_takes_the_lines(folder: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    starts = str(folder / "starts.ndjson")
    assert main(["replay", "--starts", starts, "--every", "7d", "--out", "-"]) == 0
    assert all(json.loads(line)["unit"] for line in capfdbinary.readouterr().out.splitlines())


def test_a_record_that_cannot_be_used_is_named_and_the_others_are_spoken_of(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (folder / "starts.ndjson").open("a") as out:
        out.write('{"unit":"u-0000","at":"2030-10-03T00:00:00Z","outcome":"ran"}\n')
    assert _run(folder) == 2
    assert len(_out(folder)) == 20
    assert "seq" in capsys.readouterr().err


def test_of_records_under_one_key_the_first_stands_and_what_says_something_else_is_told_of(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(folder) == 0
    before = (folder / "out.ndjson").read_text()
    lines = (folder / "starts.ndjson").read_text().splitlines(keepends=True)
    other = json.loads(lines[3]) | {"outcome": "locked", "run_up_s": 9.0}
    with (folder / "starts.ndjson").open("a") as out:
        out.writelines([lines[0], "\n", json.dumps(other) + "\n", json.dumps(other | {"run_up_s": 8.0}) + "\n"])
    capsys.readouterr()
    assert _run(folder) == 2
    assert (folder / "out.ndjson").read_text() == before
    (told,) = [line for line in capsys.readouterr().err.splitlines() if "came first stands" in line]
    assert told.startswith("2 of the starts say something else than what stands under their unit, at and seq")
    where = f"{folder / 'starts.ndjson'}, line {len(lines) + 3}: seq: {other['seq']} at {other['at']}"
    assert told.endswith(f"the first is {where} of unit {other['unit']}")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--every", "1w"], "--every"),
        (["--from", "soon"], "--from"),
        (["--from", "2030-10-05", "--to", "2030-10-04"], "--from"),
        (["--visits", "nowhere.ndjson"], "nowhere.ndjson"),
        (["--out", "/nowhere/out.ndjson"], "/nowhere/out.ndjson"),
    ],
)
def test_bad_use_is_one_clear_line(
    folder: Path, more: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(folder, *more) == 2
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("halfsecond")]
    assert len(lines) == 1
    assert said in lines[0]
