"""Every error that a newcomer can meet is one clear line with the remedy, and exit code 2."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from deploy.cli import main


@pytest.fixture(autouse=True)
def fresh_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A working folder with one table whose column has another name, and no settings."""
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("HALFSECOND_")]:
        monkeypatch.delenv(name)
    (tmp_path / "wrong.csv").write_text("unit,when,outcome\nu1,2031-01-01T00:00:00Z,ran\n")
    (tmp_path / "wrong.xls").write_text("")


def run(words: str) -> int:
    try:
        return main(words.split())
    except SystemExit as leaving:
        return int(leaving.code or 0)


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        ("", ["required: COMMAND", "see 'halfsecond --help'"]),
        ("nonsense", ["invalid choice: 'nonsense'", "see 'halfsecond --help'"]),
        ("replay --out out.ndjson", ["required: --starts", "see 'halfsecond replay --help'"]),
        ("replay --starts none.ndjson --out out.ndjson", ["none.ndjson", "no such file"]),
        (
            "replay --starts wrong.csv --out out.ndjson",
            ["wrong.csv", "no column 'seq'", "there are: unit, when, outcome"],
        ),
        ("replay --starts wrong.xls --out out.ndjson", ["wrong.xls", ".ndjson", ".csv", ".parquet"]),
        ("load starts none.csv --out out.ndjson", ["none.csv", "no such file"]),
        ("load starts wrong.csv --out out.ndjson", ["wrong.csv", "no column 'seq'", "there are: unit, when, outcome"]),
        ("load power-log none.csv --unit unit --at at --power w --out o.ndjson", ["none.csv", "no such file"]),
        (
            "load power-log wrong.csv --unit unit --at at --power w --out o.ndjson",
            ["no column 'at'", "it has unit, when"],
        ),
        ("wave none.npz", ["none.npz", "no such file"]),
        ("wave wrong.csv", ["wrong.csv", "current_a"]),
        ("simulate --units 2 --days 2 --seed 1", ["--out: missing"]),
        ("simulate --units two --days 2 --seed 1 --out out", ["--units", "'two'", "see 'halfsecond simulate --help'"]),
        ("demo --port 0", ["--port", "1 to 65535"]),
        ("demo --data wrong.csv/demo", ["data folder", "wrong.csv/demo", "--data"]),
        ("serve all --data wrong.csv/demo --listen 127.0.0.1:38021", ["data folder", "wrong.csv/demo", "--data"]),
        ("serve all --listen 0.0.0.0:8021", ["HALFSECOND_TOKEN", "127.0.0.1"]),
        ("serve all --listen nowhere", ["--listen", "HOST:PORT"]),
        ("serve pages", ["no stack runs over halfsecond-data", "serve all"]),
        ("account list", ["no stack runs over halfsecond-data", "--data FOLDER"]),
        ("account list --database nonsense", ["database", "postgresql://"]),
        ("device add d-0001 --unit u-0001 --database postgresql://127.0.0.1:9/x", ["127.0.0.1:9", "is it running?"]),
    ],
)
def test_bad_use_and_bad_input_are_one_line(words: str, parts: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    lines = [line for line in err.replace("\r", "\n").splitlines() if line.strip() and "it/s" not in line]
    assert len(lines) == 1, err
    assert lines[0].startswith("halfsecond")
    for part in parts:
        assert part in lines[0]


@pytest.mark.parametrize("words", ["demo --port {port} --data d", "serve all --listen 127.0.0.1:{port} --data d"])
def test_a_port_that_is_taken_is_one_line(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert run(words.format(port=port)) == 2
    err = capsys.readouterr().err
    assert len(err.splitlines()) == 1
    assert f"port {port} " in err
    assert "--port" in err or "--listen" in err


def test_a_misspelt_setting_is_one_line_that_names_the_one_meant(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HALFSECOND_DATABSE", "dbname=x")
    assert run("serve pages") == 2
    assert capsys.readouterr().err == (
        "halfsecond: HALFSECOND_DATABSE: there is no such setting; is HALFSECOND_DATABASE meant?\n"
    )


@pytest.mark.parametrize(
    "words", ["replay --starts none.ndjson --out out.ndjson", "load starts none.csv --out out.ndjson"]
)
def test_a_command_that_fails_leaves_no_output_file(words: str, tmp_path: Path) -> None:
    assert run(words) == 2
    assert not (tmp_path / "out.ndjson").exists()
