"""The scorecard's command: on small simulated fleets, and what it says of folders and files that do not do."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics import scorecard
from ingest.errors import BadInputError
from simulator import files, fleet, twin_files


def _folder(place: Path, units: int, days: int, seed: int) -> Path:
    with twin_files.writing(place) as beside:
        files.write_all(fleet.batches(units, days, seed, beside=beside), place)
    return place


@pytest.mark.slow
def test_on_simulated_fleets_the_verdicts_find_faults_sooner_than_fixed_thresholds(tmp_path: Path) -> None:
    judged, other = _folder(tmp_path / "a", 48, 150, 33), _folder(tmp_path / "b", 16, 150, 34)
    document = tmp_path / "page.md"
    document.write_text(f"# Before\n{scorecard.BEGIN}\nwhat stood here\n{scorecard.END}\nafter\n")
    lines = scorecard.run([judged], [other], document, processes=1)
    cells = {line.split(" | ")[0].strip("| "): line.strip("| ").split(" | ") for line in lines if " | " in line}
    ours, fixed = cells["this project, as shipped"], cells["fixed threshold on the daily largest"]
    assert float(ours[3]) > float(fixed[3])
    assert float(cells["oracle"][3]) >= 0.6
    assert float(ours[1]) <= 0.3
    assert {"met", "**missed**"} >= {row[-1] for row in cells.values() if row[-1] in {"met", "**missed**"}}
    text = document.read_text()
    assert text.startswith("# Before\n")
    assert text.endswith("after\n")
    assert "what stood here" not in text
    assert all(line in text for line in lines)
    for name in ("delays.svg", "reliability.svg"):
        assert (tmp_path / name).read_text().startswith("<svg")


def test_a_document_without_markers_gets_one_line(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("nothing")
    with pytest.raises(BadInputError, match="add them"):
        scorecard.into(page, ["x"])


def test_a_folder_without_twins_gets_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files.write_all(fleet.batches(4, 10, 1), tmp_path)
    assert scorecard.main([str(tmp_path), "--train", str(tmp_path), "--processes", "1"]) == 2
    told = capsys.readouterr().err.strip().splitlines()
    assert told[-1].endswith("twins.parquet: missing; write the folder with: halfsecond simulate --twins")
