from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest import frames, keys, ndjson
from ingest.shapes import FileKind

AT = datetime(2026, 1, 1, tzinfo=UTC)


def _starts(*seqs: int, extra: str | None = None, **columns: Any) -> pd.DataFrame:
    count = len(seqs)
    told = {"unit": ["u"] * count, "seq": list(seqs), "at": [AT] * count, "outcome": ["ran"] * count}
    return frames.frame("starts", told | {name: [value] * count for name, value in columns.items()}, [extra] * count)


def test_a_key_is_fresh_once_also_across_tables() -> None:
    seen = keys.Keys("starts")
    assert seen.fresh(_starts(1, 9, 1)).tolist() == [True, True, False]
    assert seen.fresh(_starts(9, 3)).tolist() == [False, True]
    assert seen.fresh(_starts(5, 3, 1, 9, 4, 4)).tolist() == [True, False, False, False, True, False]
    assert seen.others == 0
    assert keys.Keys("visits").fresh(frames.empty("visits")).tolist() == []


@pytest.mark.parametrize(
    ("first", "second", "others"),
    [
        ({"run_up_s": 0.2}, {"run_up_s": 0.2}, 0),
        # The store keeps seven digits.
        ({"run_up_s": 0.2}, {"run_up_s": 0.200000001}, 0),
        ({"run_up_s": 0.2}, {"run_up_s": 0.2001}, 1),
        ({"run_up_s": 0.2}, {}, 1),
        ({"outdoor_c": 0.0}, {"outdoor_c": -0.0}, 0),
        ({"mode": "heating"}, {"mode": "cooling"}, 1),
        ({"extra": '{"a":1,"b":2}'}, {"extra": '{"b":2,"a":1}'}, 0),
        ({"extra": '{"a":1}'}, {"extra": '{"a":2}'}, 1),
        ({"extra": '{"a":1}'}, {}, 1),
    ],
)
def test_what_says_the_same_is_a_double_and_what_says_something_else_is_counted(
    first: dict[str, Any], second: dict[str, Any], others: int
) -> None:
    seen = keys.Keys("starts")
    assert seen.fresh(_starts(1, **first), "a.csv").all()
    assert not seen.fresh(_starts(1, **second), "b.csv").any()
    assert seen.others == others
    assert (seen.first == "b.csv: seq: 1 at 2026-01-01T00:00:00Z of unit u") == (others == 1)


def test_rests_are_compared_by_their_pressures_and_events_by_their_words() -> None:
    def others(kind: FileKind, *told: dict[str, Any]) -> int:
        seen = keys.Keys(kind)
        for one in told:
            columns = {"unit": ["u"], "seq": [1], "at": [AT]} | {name: [value] for name, value in one.items()}
            seen.fresh(frames.frame(kind, columns))
        return seen.others

    rest = {"t_s": [0.0, 30.0], "suction_kpa": [600.0, 650.0]}
    assert others("rests", rest, rest) == 0
    assert others("rests", rest, rest | {"suction_kpa": [600.0, 651.0]}) == 1
    assert others("events", {"event": "lockout"}, {"event": "lockout"}, {"event": "reset"}) == 1


def test_keys_are_found_again_in_whatever_order_they_come() -> None:
    rng = np.random.default_rng(1)
    seen = keys.Keys("events")
    some = [rng.integers(0, 50, 40).tolist() for _ in range(30)]
    expected: set[int] = set()
    for seqs in some:
        columns = {"unit": ["u"] * 40, "seq": seqs, "at": [AT] * 40, "event": ["reset"] * 40}
        fresh = seen.fresh(frames.frame("events", columns)).tolist()
        for seq, is_fresh in zip(seqs, fresh, strict=True):
            assert is_fresh == (seq not in expected)
            expected.add(seq)


@pytest.mark.parametrize("broken", ["", "nonsense\n"])
def test_lines_are_those_of_the_file_also_past_empty_and_broken_ones(broken: str) -> None:
    one = '{"unit":"u","at":"2026-01-01T00:00:00Z","seq":1,"outcome":"%s"}\n'
    text = "\n" + one % "ran" + broken + "  \r\n" + one % "locked"
    seen = keys.Keys("starts")
    for table, _ in ndjson.batches("starts", io.BytesIO(text.encode()), "a.ndjson"):
        seen.fresh(table, "a.ndjson")
    assert seen.first.startswith(f"a.ndjson, line {4 + bool(broken)}: seq: 1 at")


def test_where_lines_and_records_do_not_match_no_line_is_named() -> None:
    one = '{"unit":"u","at":"2026-01-01T00:00:00Z","seq":1,"outcome":"%s"}'
    seen = keys.Keys("starts")
    for table, _ in ndjson.batches("starts", io.BytesIO((one % "ran" + one % "locked").encode()), "a.ndjson"):
        seen.fresh(table, "a.ndjson")
    assert seen.first.startswith("a.ndjson: seq: 1 at")
