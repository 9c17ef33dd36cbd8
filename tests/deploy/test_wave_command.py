"""``halfsecond wave``: one JSON object a start, one line a problem."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from deploy.cli import main

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "motor_start_4khz.npz"


@pytest.mark.published
def test_the_measured_motor_start_is_printed_with_the_figures_worked_out_by_hand(
    capfdbinary: pytest.CaptureFixture[bytes],
) -> None:
    assert main(["wave", str(MEASURED)]) == 0
    out, err = capfdbinary.readouterr()
    told = json.loads(out)
    assert err == b""
    assert told["file"] == str(MEASURED)
    assert told["outcome"] == "ran"
    # Asiderr/elesys, induction/4,6.csv, half-cycle RMS worked out by hand: see tests/data/measured/SOURCES.md.
    assert told["first_peak_a"] == pytest.approx(94.8, rel=0.03)
    assert told["run_a"] == pytest.approx(9.84, rel=0.03)
    assert told["run_up_s"] == pytest.approx(0.310, abs=0.020)
    assert (told["hz"], told["rate_hz"]) == (50, 4000)


def test_what_cannot_be_used_is_said_and_the_rest_is_still_printed(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    np.savez(tmp_path / "still.npz", current_a=np.zeros(4000), rate_hz=4000, hz=50)
    code = main(["wave", str(tmp_path / "none.csv"), str(tmp_path / "still.npz"), str(MEASURED)])
    out, err = capfdbinary.readouterr()
    assert code == 2
    assert json.loads(out)["outcome"] == "ran"
    first, second = err.decode().splitlines()
    assert first == f"halfsecond wave: {tmp_path / 'none.csv'}: no such file; check the name"
    assert second.startswith(f"halfsecond wave: {tmp_path / 'still.npz'}: wave: holds no start")


def test_of_many_problems_five_are_said_and_the_others_counted(
    tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert main(["wave", *(str(tmp_path / f"{n}.csv") for n in range(8))]) == 2
    lines = capfdbinary.readouterr().err.decode().splitlines()
    assert len(lines) == 6
    assert lines[-1] == "halfsecond wave: and 3 more that could not be used"


def test_the_mains_frequency_can_be_given(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    assert main(["wave", "--hz", "60", str(MEASURED)]) == 0
    assert json.loads(capfdbinary.readouterr().out)["hz"] == 60


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exit_:
        main(["wave", "--help"])
    assert exit_.value.code == 0
    assert "example:" in capsys.readouterr().out


def test_the_measured_motor_start_is_drawn_with_its_run_up(tmp_path: Path) -> None:
    picture = tmp_path / "start.svg"
    assert main(["wave", str(MEASURED), "--plot", str(picture)]) == 0
    text = picture.read_text(encoding="utf-8")
    assert "running after 0.317 s" in text
    assert "motor_start_4khz.npz" in text


def test_a_picture_that_is_no_svg_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wave", str(MEASURED), "--plot", str(tmp_path / "start.pdf")]) == 2
    assert "does not end in .svg" in capsys.readouterr().err
