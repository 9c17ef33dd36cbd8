"""Whatever is killed, and whenever: rows stored = starts published, none twice, and the verdicts fit the rows."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.kill_rounds import rounds

pytestmark = [pytest.mark.stack, pytest.mark.mosquitto, pytest.mark.slow]


def test_ten_kills_of_any_part_lose_no_start_store_none_twice_and_leave_the_verdicts_right(data_folder: Path) -> None:
    seen = rounds(data_folder, 10, seed=1)
    assert sum(seen.kills.values()) == 10
    assert set(seen.kills) == {"intake", "watch", "notices", "broker", "database"}
    assert seen.published > 2_000
    assert seen.rows == seen.published
    assert (seen.doubles, seen.quarantined, seen.behind) == (0, 0, 0)
