from __future__ import annotations

from pathlib import Path

import pytest

from analytics import scorecard
from simulator import files
from simulator.fleet import simulate


@pytest.mark.slow
def test_on_a_simulated_fleet_alarms_are_right_and_few_are_false(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files.write(simulate(48, 220, 31), tmp_path)
    assert scorecard.main([str(tmp_path)]) == 0
    lines = [line.strip("| ") for line in capsys.readouterr().out.splitlines() if " | " in line]
    rows = dict(line.split(" | ", 1) for line in lines)
    assert float(rows["alarms per unit-year on units without fault"].split()[0]) <= 0.15
    flagged, total = rows["faults flagged while active"].split(":")[0].split(" of ")
    assert int(flagged) >= 0.5 * int(total) > 0
    failed = rows["failed repairs called"]
    assert "helped" not in failed or int(failed.split("helped ")[1].split(",")[0]) <= 2


def test_a_score_of_nothing_says_so() -> None:
    assert "none seen" in "\n".join(scorecard.table(scorecard.Score()))
