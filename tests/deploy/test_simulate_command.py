"""``halfsecond simulate``: files in a folder, and one clear line for bad use."""

from __future__ import annotations

from pathlib import Path

import pytest

from deploy.cli import main


def test_it_writes_seven_files_and_says_how_many_records(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "winter"
    assert main(["simulate", "--units", "3", "--days", "4", "--seed", "1", "--out", str(out)]) == 0
    names = {"units", "starts", "rests", "events", "visits", "forecasts", "truth"}
    assert {path.stem for path in out.iterdir()} == names
    assert "3 units" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("option", "value", "text"),
    [
        ("--units", "0", "units: 0 is below 1"),
        ("--days", "-2", "days: -2 is below 1"),
        ("--seed", "-1", "seed: -1 is below 0"),
        ("--start", "soon", "--start: 'soon' is not a date; write it like 2024-10-01"),
        ("--start", "1999-01-01", "--start: 1999-01-01 is not within the years 2000 to 2099"),
        ("--faulty", "2", "faulty: 2.0 is not a share from 0 to 1"),
    ],
)
def test_bad_use_is_one_line_and_exit_2(
    option: str, value: str, text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = {"--units": "2", "--days": "2", "--seed": "1", "--out": str(tmp_path / "x")}
    arguments = [part for pair in (good | {option: value}).items() for part in pair]
    assert main(["simulate", *arguments]) == 2
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("halfsecond:")]
    assert len(lines) == 1
    assert text in lines[0]


def test_days_that_would_pass_the_year_2100_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--units", "1", "--days", "400000", "--seed", "1", "--out", str(tmp_path)]
    assert main(["simulate", *arguments]) == 2
    assert "days" in capsys.readouterr().err
