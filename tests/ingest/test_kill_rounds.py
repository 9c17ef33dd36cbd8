"""Whatever is killed, and whenever: rows stored = starts published, none twice, and the verdicts fit the rows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.kill_rounds import missing, rounds


@pytest.mark.stack
@pytest.mark.mosquitto
@pytest.mark.slow
def test_ten_kills_of_any_part_lose_no_start_store_none_twice_and_leave_the_verdicts_right(data_folder: Path) -> None:
    seen = rounds(data_folder, 10, seed=1, apart_s=(0.2, 2.0))
    assert sum(seen.kills.values()) == 10
    assert set(seen.kills) == {"intake", "watch", "notices", "broker", "database"}
    assert seen.published > 2_000
    assert seen.rows == seen.published
    assert (seen.doubles, seen.quarantined, seen.behind) == (0, 0, 0)


def test_starts_that_are_missing_are_named_by_their_numbers_and_by_what_was_killed_about_then() -> None:
    acknowledged = {number: 100.0 + number for number in range(100)}
    stored = set(range(100)) - {3, 4, 5, 70}
    killed = [(90.0, "watch"), (110.0, "broker"), (125.0, "intake 1"), (300.0, "database")]
    assert missing(acknowledged, stored, killed, began=100.0) == [
        "3 to 5 of 3 devices, acknowledged from 3.0 to 5.0 s: broker killed at 10.0 s",
        "70 to 70 of 1 devices, acknowledged from 70.0 to 70.0 s: nothing killed about then",
    ]
    assert missing(acknowledged, set(range(100)), killed, began=100.0) == []
