"""Recorded starts in files of every kind that is read."""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest.errors import BadInputError
from ingest.wavefile import read

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "motor_start_4khz.npz"
Switched = Callable[..., tuple[np.ndarray, np.ndarray]]


def wave_object(current: np.ndarray, voltage: np.ndarray) -> dict[str, Any]:
    return {
        "rate_hz": 4000,
        "hz": 60,
        "current": base64.b64encode(np.round(current / 0.01).astype("<i2").tobytes()).decode(),
        "current_a": 0.01,
        "voltage": base64.b64encode(np.round(voltage / 0.02).astype("<i2").tobytes()).decode(),
        "voltage_v": 0.02,
    }


def table(current: np.ndarray, voltage: np.ndarray, header: str = "time_s,current_a,voltage_v") -> str:
    rows = (f"{n / 4000:.6f},{i:.3f},{v:.3f}" for n, (i, v) in enumerate(zip(current, voltage, strict=True)))
    return "\n".join([header, *rows]) + "\n"


def test_the_measured_file_is_read_with_its_rate_and_mains_frequency() -> None:
    (one,), rejected = read(MEASURED)
    assert rejected == []
    assert (one.current_a.size, one.rate_hz, one.hz, one.line, one.sent) == (6000, 4000.0, 50, None, None)
    assert one.voltage_v is not None
    assert float(one.current_a.max()) == pytest.approx(130.33, abs=0.01)  # the stator's, not the rotor's 280


def test_npz_with_the_contracts_names_needs_no_time(tmp_path: Path, switched_on: Switched) -> None:
    current, voltage = switched_on()
    np.savez(tmp_path / "a.npz", current_a=current, voltage_v=voltage, rate_hz=4000, hz=60)
    (one,), _ = read(tmp_path / "a.npz")
    assert (one.rate_hz, one.hz) == (4000.0, 60)
    assert one.current_a == pytest.approx(current)


def test_npz_with_times_instead_of_a_rate_and_no_mains_frequency(tmp_path: Path, switched_on: Switched) -> None:
    current, _ = switched_on(hz=50)
    np.savez(tmp_path / "a.npz", current_ma=1000 * current, t_s=np.arange(current.size, dtype=np.float32) / 4000)
    (one,), _ = read(tmp_path / "a.npz")
    assert (one.rate_hz, one.hz, one.voltage_v) == (4000.0, 50, None)
    assert one.current_a == pytest.approx(current)


def test_csv_is_read_with_the_units_of_its_header(tmp_path: Path, switched_on: Switched) -> None:
    current, voltage = switched_on()
    text = table(current, voltage, "Time (s),Current [mA],Voltage (kV)")
    (tmp_path / "a.csv").write_text("# made by a logger\n" + text)
    (tmp_path / "b.csv.gz").write_bytes(gzip.compress(text.replace(",", ";").encode("utf-8-sig")))
    for name in ("a.csv", "b.csv.gz"):
        (one,), _ = read(tmp_path / name)
        assert (one.rate_hz, one.hz) == (4000.0, 60)
        assert one.current_a == pytest.approx(current / 1000, abs=1e-6)
        assert one.voltage_v == pytest.approx(voltage * 1000, abs=1)


def test_the_frequency_asked_for_counts_above_what_the_file_says() -> None:
    assert read(MEASURED, hz=60)[0][0].hz == 60


def test_json_may_be_a_wave_or_a_start_or_many_lines_of_either(tmp_path: Path, switched_on: Switched) -> None:
    current, voltage = switched_on()
    bare = wave_object(current, voltage)
    start = {"seq": 4, "at": "2031-01-14T12:00:00Z", "off_s": 900, "wave": bare}
    (tmp_path / "bare.json").write_text(json.dumps(bare, indent=1))
    (tmp_path / "start.json").write_text(json.dumps(start))
    (tmp_path / "list.json").write_text(json.dumps([start, start]))
    (tmp_path / "many.ndjson").write_text(json.dumps(bare) + "\n\n" + json.dumps(start | {"unit": "u-0001"}) + "\n")
    (one,), _ = read(tmp_path / "bare.json")
    assert one.current_a == pytest.approx(current, abs=0.006)
    assert one.voltage_v == pytest.approx(voltage, abs=0.011)
    (one,), _ = read(tmp_path / "start.json")
    assert one.sent is not None
    assert (one.sent.seq, one.sent.off_s) == (4, 900.0)
    assert len(read(tmp_path / "list.json")[0]) == 2
    many, rejected = read(tmp_path / "many.ndjson")
    assert [one.line for one in many] == [1, 3]
    assert rejected == []


def test_a_line_that_cannot_be_used_is_named_and_the_others_kept(tmp_path: Path, switched_on: Switched) -> None:
    bare = wave_object(*switched_on())
    lines = [
        bare,
        {"seq": 1, "at": "2031-01-14T12:00:00Z", "outcome": "ran"},
        bare | {"current": "AAA"},
        bare | {"rate_hz": 50},
        bare | {"voltage_v": None},
        7,
        {"at": "2031-01-14T12:00:00Z", "wave": bare},
    ]
    (tmp_path / "a.ndjson").write_text("\n".join([*map(json.dumps, lines), "{"]))
    good, bad = read(tmp_path / "a.ndjson")
    assert len(good) == 1
    assert [(r.line, r.field) for r in bad] == [
        (2, "wave"),
        (3, "current"),
        (4, "rate_hz"),
        (5, "wave.voltage_v"),
        (6, "wave"),
        (7, "seq"),
        (8, ""),
    ]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.csv", b"", "is empty"),
        ("a.csv", b"time_s,w\n0,1\n", "no column of current, such as current_a; it has time_s, w"),
        ("a.csv", b"current_a\n0\n", "no column of time, such as time_s; it has current_a"),
        ("a.csv", b"0,1\n1,2\n", "no column of current"),
        ("a.csv", b"time_s,current_a\n0,1\n0.001,x\n", "line 3: current_a: must be a number, not 'x'"),
        ("a.csv", b"time_s,current_a\n0,1\n0.001,\n", "line 3: current_a: must be a number, it is empty"),
        ("a.csv", b"time_s,current_a\n0,1\n0.001,1\n0.009,1\n0.010,1\n", "its times do not rise evenly"),
        ("a.csv", b"time_s,current_a\n0,1\n", "has 1 samples"),
        ("a.csv", b"\xff\xfe\x00", "is not text"),
        ("a.csv.gz", b"time_s", "gzip data is damaged"),
        ("a.npz", b"no zip", "is no NPZ of plain arrays"),
        ("a.json", b"", "is empty"),
        ("a.xlsx", b"", "unknown ending; a recorded start is one of .csv .npz .json .ndjson .jsonl"),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line_with_the_remedy(
    tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(BadInputError) as error:
        read(tmp_path / name)
    assert str(error.value).startswith(str(tmp_path / name))
    assert says in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("arrays", "says"),
    [
        ({"power_w": np.ones(9)}, "no array of current, such as current_a; it has power_w"),
        ({"current_a": np.ones(900)}, "neither rate_hz nor time_s"),
        ({"current_a": np.full(900, np.nan), "rate_hz": 4000, "hz": 60}, "a sample is not a finite number"),
        ({"current_a": np.array([{}]), "rate_hz": 4000}, "is no NPZ of plain arrays"),
    ],
)
def test_an_npz_that_cannot_be_used_is_one_line(tmp_path: Path, arrays: dict[str, Any], says: str) -> None:
    np.savez(tmp_path / "a.npz", **arrays)
    with pytest.raises(BadInputError) as error:
        read(tmp_path / "a.npz")
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_file_and_a_folder_are_one_line(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="no such file; check the name"):
        read(tmp_path / "none.csv")
    with pytest.raises(BadInputError, match="is a folder; name a file in it"):
        read(tmp_path)
