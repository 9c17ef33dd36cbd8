"""Units that lock out while others publish come to be down on the API, and every start is stored once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.trials.latency import table, trial

pytestmark = [pytest.mark.stack, pytest.mark.mosquitto, pytest.mark.slow]


def test_every_unit_that_locks_out_under_load_is_down_on_the_api_and_the_books_balance(data_folder: Path) -> None:
    seen = trial(data_folder, rate=200, units=60, history_days=2, failures=6, seconds=3)
    assert len(seen.waits_s) == seen.failed == 6
    assert seen.published > 800
    assert (seen.stored, seen.quarantined) == (seen.published, 0)
    # How long it takes is for the program to print: here the machine is busy with other tests.
    assert "6 of 6 units" in table(seen)
