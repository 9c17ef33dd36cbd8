"""``halfsecond simulate start``: figures of a start as it is and with assist, a picture, and one line for bad use."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simulator
from deploy.cli import main


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["simulate", "start", *arguments]) == 0
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


@pytest.mark.pinned
def test_the_reference_machine_starts_in_its_own_time_on_a_stiff_supply(capsys: pytest.CaptureFixture[str]) -> None:
    # pinned: 208 ms as it is, 67 ms with 208 µF, at 230 V with equal pressures.
    answer = told(capsys, "--source", "0", "--start-cap", "208", "--plate-run-cap", "40", "--lra", "82.63")
    assert answer["as_it_is"]["run_up_s"] == pytest.approx(0.208, abs=1 / 120)
    assert answer["with_start_capacitor"]["run_up_s"] == pytest.approx(0.067, abs=1 / 120)


def test_a_start_against_much_pressure_stalls_and_with_assist_runs_and_both_are_drawn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "start.svg"
    answer = told(capsys, "--volts", "220", "--pressure", "500", "--plot", str(picture))
    assert answer["as_it_is"]["stalled"]
    assert answer["as_it_is"]["run_up_s"] is None
    assert not answer["with_start_capacitor"]["stalled"]
    assert "equipment maker" in answer["note"]
    assert any("run capacitor taken as" in said for said in answer["assumptions"])
    assert "which stalls" in picture.read_text(encoding="utf-8")


def test_both_starts_are_written_as_waves_that_reduce_to_what_was_said_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "start.ndjson"
    answer = told(capsys, "--volts", "225", "--pressure", "150", "--close", "40", "--wave", str(file))
    assert main(["wave", str(file)]) == 0
    plain, assisted = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    for got, said in ((plain, answer["as_it_is"]), (assisted, answer["with_start_capacitor"])):
        assert got["outcome"] == "ran"
        assert got["run_up_s"] == pytest.approx(said["run_up_s"], abs=1.5 / 120)
        assert got["line_v"] == pytest.approx(225, abs=1)
        assert got["line_min_v"] == pytest.approx(said["line_min_v"], rel=0.01)
    assert plain["peak_a"] == pytest.approx(answer["as_it_is"]["peak_a"], rel=0.02)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--volts", "50"], "--volts: 50 is outside 100 to 300"),
        (["--start-cap", "0"], "--start-cap: 0 is outside 1 to 2000"),
        (["--tons", "-1"], "tons: -1.0 is not above 0"),
        (["--plot", "start.png"], "--plot: start.png does not end in .svg"),
        (["--plot", "/nowhere/at/all/start.svg"], "--plot: /nowhere/at/all/start.svg: cannot write"),
        (["--wave", "start.wav"], "--wave: start.wav does not end in .ndjson or .jsonl"),
        (["--wave", "/nowhere/at/all/start.ndjson"], "--wave: /nowhere/at/all/start.ndjson: cannot write"),
    ],
)
def test_bad_use_of_one_start_is_one_line_and_exit_2(
    arguments: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["simulate", "start", *arguments]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert text in lines[0]


def test_a_fleet_without_its_numbers_is_refused_by_the_name_of_the_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--units", "3"]) == 2
    assert "--days: missing" in capsys.readouterr().err


def test_the_picture_in_the_physics_is_the_one_that_its_command_draws(tmp_path: Path) -> None:
    folder = Path(simulator.__file__).parent
    command = "halfsecond simulate start --volts 215 --pressure 150 --plot "
    assert f"`{command}simulator/start.svg`" in (folder / "PHYSICS.md").read_text(encoding="utf-8")
    assert main([*command.split()[1:], str(tmp_path / "start.svg")]) == 0
    there, drawn = ((path / "start.svg").read_text(encoding="utf-8") for path in (folder, tmp_path))
    # Numbers may differ in their last digits from one processor to another.
    numbers = [np.array(re.findall(r"-?\d+\.\d+", text), float) for text in (there, drawn)]
    np.testing.assert_allclose(numbers[0], numbers[1], atol=0.05)
    assert re.sub(r"[-\d.]+", "", there) == re.sub(r"[-\d.]+", "", drawn)
