"""Whatever is killed, and whenever: rows stored = starts published, none twice."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.ingest.kill_rounds import rounds

pytestmark = [pytest.mark.stack, pytest.mark.mosquitto, pytest.mark.slow]


def test_ten_kills_of_intake_broker_and_database_lose_no_start_and_store_none_twice(data_folder: Path) -> None:
    seen = rounds(data_folder, 10, seed=3)
    assert sum(seen.kills.values()) == 10
    assert set(seen.kills) == {"intake", "broker", "database"}
    assert seen.published > 2_000
    assert seen.rows == seen.published
    assert (seen.doubles, seen.quarantined) == (0, 0)
