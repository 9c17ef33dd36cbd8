"""``halfsecond mapping try``, and ``load --mapping`` (the logger is invented)."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from deploy.cli import main
from tests.ingest.test_mapped import CSV, LINES, item, payload
from tests.ingest.test_mapping import EXAMPLE


def give(monkeypatch: pytest.MonkeyPatch, sample: bytes) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(sample)))


@pytest.fixture
def gateway(tmp_path: Path) -> str:
    path = tmp_path / "gateway.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    return str(path)


def test_a_sample_is_shown_as_the_records_that_it_gives(
    gateway: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    give(monkeypatch, payload(item(), item(n=8, mode="X"), item(n=9, oat=900)))
    assert main(["mapping", "try", gateway, "--topic", "site/d-7/compressor/started"]) == 2
    said = capsys.readouterr()
    (record,) = map(json.loads, said.out.splitlines())
    assert (record["device"], record["seq"], record["run_up_s"], record["humidity"]) == ("d-7", 7, 0.21, 80)
    assert said.err.splitlines() == [
        "halfsecond: sample, record 2: mode: 'X' is none of the words H, C",
        "halfsecond: sample, record 3: outdoor_c: must be at most 70, not 482.22222222222223",
    ]
    give(monkeypatch, payload(item()))
    assert main(["mapping", "try", gateway]) == 0
    assert "device" not in json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--topic", "a/b"], "--topic: a/b fits no table of"),
        (["--kind", "rests"], "has no table [rests]"),
    ],
)
def test_a_choice_that_fits_nothing_is_told_in_one_line(
    gateway: str, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["mapping", "try", gateway, *arguments]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert said.count("\n") == 1


def test_a_mapping_that_is_wrong_is_told_with_its_line(gateway: str, capsys: pytest.CaptureFixture[str]) -> None:
    Path(gateway).write_text(EXAMPLE.replace("degF", "F"), encoding="utf-8")
    assert main(["mapping", "try", gateway]) == 2
    assert "gateway.toml, line 11: starts.fields.outdoor_c: unit = 'F' is not known here" in capsys.readouterr().err


def test_files_of_another_logger_are_loaded_with_their_mapping(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mapping, log, out = tmp_path / "m.toml", tmp_path / "log.txt", tmp_path / "starts.ndjson"
    mapping.write_text(CSV, encoding="utf-8")
    log.write_text(LINES + "8;14.01.2026;06:00:00;210;240;0;0;u-2;-\n9;?;?;1;1;0;0;u-2;-\n", encoding="utf-8")
    assert main(["load", "starts", str(log), "--mapping", str(mapping), "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert "wrote 2 starts of 2 units" in said.out
    assert "line 4: at: time data '? ?' does not match format" in said.err
    first, second = map(json.loads, out.read_text(encoding="utf-8").splitlines())
    assert first == {
        "unit": "u-1", "seq": 7, "at": "2026-01-14T12:03:07Z", "outcome": "ran", "run_up_s": 0.21, "line_v": 241.5,
        "retry": 0, "site": "a",
    }  # fmt: skip
    assert (second["unit"], "site" in second) == ("u-2", False)
    assert main(["load", "rests", str(log), "--mapping", str(mapping), "--out", str(out)]) == 2
    assert "has no table [rests] with unit" in capsys.readouterr().err
