"""``halfsecond load``."""

from __future__ import annotations

import csv
import gzip
import json
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
from psycopg import sql

from deploy.cli import main

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "heatpump_lab_1min.csv.gz"
LAB = ["--unit", "case", "--at", "day,time", "--at-format", "%m/%d %H:%M", "--year", "2022", "--zone", "UTC"]
LAB += ["--power", "outdoor_unit_w", "--outdoor", "oat_c"]
GOOD = '{"unit":"u%d","seq":%d,"at":"2026-01-14T12:00:00Z","outcome":"ran"}\n'


@pytest.fixture(autouse=True)
def nothing_set(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HALFSECOND_DATABASE", "HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def account(database: str) -> str:
    """A database with one account."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("insert into account (name) values ('Larkfell Heating (example)')")
    return database


def _count(database: str, table: str) -> int:
    with psycopg.connect(database) as connection:
        counting = sql.SQL("select count(*) from {}").format(sql.Identifier(table))
        row = connection.execute(counting).fetchone()
    assert row is not None
    return int(row[0])


@pytest.mark.published
def test_the_starts_of_the_measured_log_are_its_upward_crossings_of_400_w(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Measured: tests/data/measured/SOURCES.md. A start is power crossing 400 W upward between two rows that follow on.
    out = tmp_path / "starts.ndjson"
    assert main(["load", "power-log", str(MEASURED), *LAB, "--out", str(out)]) == 0
    crossings, before = 0, ("", -1, 0.0)
    with gzip.open(MEASURED, "rt") as log:
        for row in csv.DictReader(log):
            hour, minute = map(int, row["time"].split(":"))
            day = tuple(map(int, row["day"].split("/")))
            now = (row["case"], (day[0] * 31 + day[1]) * 1440 + hour * 60 + minute, float(row["outdoor_unit_w"]))
            follows = now[0] == before[0] and now[1] - before[1] == 1
            crossings += follows and before[2] < 400 <= now[2]
            before = now
    assert len(out.read_text().splitlines()) == crossings
    assert capsys.readouterr().out == f"wrote {crossings:,} starts of 46 units to {out} (0 doubles, 0 left out)\n"


@pytest.mark.stack
def test_records_are_stored_once_however_often_they_are_loaded(
    account: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "starts.ndjson"
    path.write_text(GOOD % (1, 1) + GOOD % (1, 2) + GOOD % (2, 1))
    assert main(["load", "starts", str(path), "--database", account]) == 0
    assert capsys.readouterr().out == "2 units new: u1, u2\nstored 3 starts of 2 units (0 doubles, 0 left out)\n"
    assert main(["load", "starts", str(path), "--database", account]) == 0
    assert capsys.readouterr().out == "stored 0 starts of 2 units (3 doubles, 0 left out)\n"
    assert _count(account, "start") == 3


@pytest.mark.stack
def test_a_double_that_says_something_else_is_told_of_and_changes_nothing(
    account: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "starts.ndjson"
    path.write_text(GOOD % (1, 1) + GOOD % (1, 2))
    assert main(["load", "starts", str(path), "--database", account]) == 0
    assert capsys.readouterr().err == ""
    path.write_text((GOOD % (1, 1)).replace("ran", "locked") + GOOD % (1, 2) + GOOD % (1, 3))
    assert main(["load", "starts", str(path), "--database", account]) == 2
    told = capsys.readouterr()
    assert told.out == "stored 1 start of 1 unit (2 doubles, 0 left out)\n"
    assert told.err.startswith("halfsecond: 1 of the doubles says something else than what stands under their unit, at")
    with psycopg.connect(account) as conn:
        assert conn.execute("select count(*) from start where outcome = 'locked'").fetchone() == (0,)


@pytest.mark.stack
def test_what_cannot_be_used_is_named_and_the_rest_stored(
    account: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "starts.ndjson"
    path.write_text(GOOD % (1, 1) + "nonsense\n" + (GOOD % (1, 2)).replace("2026", "2099") + GOOD % (1, 3))
    assert main(["load", "starts", str(path), "--database", account]) == 2
    told = capsys.readouterr()
    assert "stored 2 starts of 1 unit (0 doubles, 2 left out)" in told.out
    lines = [line for line in told.err.splitlines() if line.startswith("halfsecond: ")]
    assert lines[0].startswith(f"halfsecond: {path}, line 2: not JSON")
    assert lines[1].startswith("halfsecond: starts of u1: at: 2099-01-14T12:00:00+00:00 is more than a day ahead")
    assert _count(account, "start") == 2
    with psycopg.connect(account) as connection:
        held = connection.execute("select topic, reason, payload from quarantine").fetchall()
    assert [(topic, reason) for topic, reason, _ in held] == [("file/starts", "clock_out_of_range")]
    assert json.loads(held[0][2])["unit"] == "u1"


@pytest.mark.stack
def test_every_kind_of_record_finds_its_table(account: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ingest.meanings import EXAMPLES  # noqa: PLC0415  invented records of every kind

    tables = {"units": "unit", "starts": "start", "rests": "rest", "events": "event", "visits": "visit"}
    for kind, table in [*tables.items(), ("forecasts", "forecast")]:
        unit = {} if kind in {"units", "visits", "forecasts"} else {"unit": "u-0001"}
        path = tmp_path / f"{kind}.ndjson"
        path.write_text("".join(json.dumps(example | unit) + "\n" for example in EXAMPLES[kind]))
        assert main(["load", kind, str(path), "--database", account]) == 0, capsys.readouterr().err
        assert _count(account, table) >= len(EXAMPLES[kind])
        assert "0 left out)" in capsys.readouterr().out


@pytest.mark.stack
def test_a_power_log_is_stored_with_outcomes_that_it_cannot_tell_left_open(
    account: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "log.csv"
    rows = [
        f"u1,2026-01-14T12:{m:02d}:00Z,{w}" for m, w in enumerate([10, 10, 2000, 2000, 2000, 10, 10, 2000, 2000, 10])
    ]
    path.write_text("unit,at,w\n" + "\n".join(rows) + "\n")
    words = ["load", "power-log", str(path), "--unit", "unit", "--at", "at", "--power", "w", "--database", account]
    assert main(words) == 0, capsys.readouterr().err
    with psycopg.connect(account) as connection:
        found = connection.execute(
            "select extract(minute from at)::int, off_s, ran_s from start order by at"
        ).fetchall()
    assert found == [(2, None, None), (7, 120.0, 180.0)]


def test_out_needs_no_database_and_leaves_doubles_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = tmp_path / "starts.ndjson", tmp_path / "out.ndjson"
    path.write_text(GOOD % (1, 1) + GOOD % (1, 2))
    assert main(["load", "starts", str(path), str(path), "--out", str(out)]) == 0
    assert capsys.readouterr().out == f"wrote 2 starts of 1 unit to {out} (2 doubles, 0 left out)\n"
    assert out.read_text() == path.read_text()


def test_a_double_in_a_file_that_says_something_else_is_named_by_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second, out = (tmp_path / name for name in ("first.ndjson", "second.csv", "out.ndjson"))
    first.write_text(GOOD % (1, 1) + GOOD % (1, 2))
    second.write_text(
        "unit,at,seq,outcome\n"
        "u1,2026-01-14T12:00:00Z,1,ran\n"
        "u1,2026-01-14T12:00:00Z,2,locked\n"
        "u1,2026-01-14T12:00:00Z,3,ran\n"
        "u1,2026-01-14T12:00:00Z,3,locked\n"
    )
    assert main(["load", "starts", str(first), str(second), "--out", str(out)]) == 2
    told = capsys.readouterr()
    assert told.out == f"wrote 3 starts of 1 unit to {out} (3 doubles, 0 left out)\n"
    (line,) = told.err.splitlines()
    assert line.startswith("halfsecond: 2 of the doubles say something else than what stands under their unit, at and")
    assert line.endswith(f"the first is {second}, line 3: seq: 2 at 2026-01-14T12:00:00Z of unit u1")
    assert [(r["seq"], r["outcome"]) for r in map(json.loads, out.read_text().splitlines())] == [
        (seq, "ran") for seq in (1, 2, 3)
    ]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["starts", "none.ndjson", "--out", "o"], "none.ndjson: no such file"),
        (["starts", "a.txt", "--out", "o"], "a.txt: unknown ending"),
        (["starts", "a.csv", "--out", "o"], "a.csv: no column 'unit', which starts need"),
        (["starts", "a.ndjson", "--out", "a.ndjson"], "--out: a.ndjson is also read"),
        (["starts", "a.ndjson", "--out", "none/o"], "--out: none/o cannot be written"),
        (["power-log", "a.csv", "--unit", "x", "--at", "t", "--power", "p", "--out", "o"], "a.csv: no column"),
        (["power-log", "a.ndjson", "--unit", "x", "--at", "t", "--power", "p", "--out", "o"], "a log must be .csv"),
    ],
)
def test_a_mistake_gets_one_line_and_exit_2(
    words: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.txt").touch()
    Path("a.csv").write_text("a,b\n1,2\n")
    Path("a.ndjson").write_text(GOOD % (1, 1))
    assert main(["load", *words]) == 2
    said = capsys.readouterr()
    assert said.err.startswith("halfsecond: ")
    assert told in said.err
    assert said.err.count("\n") == 1
    assert not Path("o").exists()


def test_a_refused_csv_ends_the_process_cleanly(tmp_path: Path) -> None:
    """A reader's threads once outlived the interpreter and turned exit 2 into an abort."""
    path = tmp_path / "a.csv"
    path.write_text("a,b\n1,2\n")
    words = [sys.executable, "-m", "deploy.cli", "load", "starts", str(path), "--out", str(tmp_path / "o")]
    assert subprocess.run(words, capture_output=True, check=False, cwd=Path(__file__).parents[2]).returncode == 2
