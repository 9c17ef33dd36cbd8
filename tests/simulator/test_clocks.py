"""Loggers' clocks and spells off line: rare, modest, told of in the truth, and changing nothing but the moments."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from simulator import clocks
from simulator.faults import DAY_S
from simulator.fleet import BATCH, Fleet, simulate

DAYS = 365


@pytest.fixture(scope="module")
def drawn() -> clocks.Clocks:
    return clocks.draw(4000, DAYS, np.random.default_rng(1))


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(2 * BATCH, 60, 5)


def test_about_one_clock_in_nine_goes_wrong_within_a_year_and_is_set_right_again(drawn: clocks.Clocks) -> None:
    wrong = np.isfinite(drawn.from_s)
    assert wrong.mean() == pytest.approx(1 - np.exp(-DAYS / clocks.WRONG_DAYS), abs=0.015)
    lasts_d = (drawn.to_s[wrong] - drawn.from_s[wrong]) / DAY_S
    assert (lasts_d > 0).all()
    assert (lasts_d <= clocks.WRONG_FOR_D[1] + 1e-4).all()
    unit = np.arange(4000)
    assert not clocks.error_s(drawn, unit, np.full(4000, DAYS * DAY_S)).any()


def test_an_error_begins_with_the_time_without_power_and_grows_with_the_drift(drawn: clocks.Clocks) -> None:
    unit = np.flatnonzero(np.isfinite(drawn.from_s))
    unit = unit[drawn.to_s[unit] - drawn.from_s[unit] > DAY_S]
    at_once = clocks.error_s(drawn, unit, drawn.from_s[unit])
    next_day = clocks.error_s(drawn, unit, drawn.from_s[unit] + DAY_S)
    assert (at_once == drawn.offset_s[unit]).all()
    assert (at_once < 0).all()
    # Watch crystals keep 20 parts in a million, 1.7 s a day, at 25 degC, and are some tens worse in the cold: common
    # practice, from memory, no source.
    per_day = np.abs(next_day - at_once)
    assert (per_day > 0.8).all()
    assert (per_day < 5.3).all()
    last = clocks.error_s(drawn, unit, drawn.to_s[unit] - 1)
    assert np.abs(last).max() <= clocks.LARGEST_S
    assert not clocks.error_s(drawn, unit, drawn.from_s[unit] - 1).any()


def test_spells_off_line_come_in_order_do_not_overlap_and_end_within_the_run(drawn: clocks.Clocks) -> None:
    spells = np.array(drawn.offline)
    assert len(spells) / 4000 == pytest.approx(DAYS / clocks.OFFLINE_DAYS, rel=0.05)
    assert (spells[:, 1] < spells[:, 2]).all()
    assert spells[:, 2].max() < DAYS * DAY_S
    same = spells[1:, 0] == spells[:-1, 0]
    assert (spells[1:, 1][same] >= spells[:-1, 2][same]).all()
    hours = (spells[:, 2] - spells[:, 1]) / 3600
    assert 2 < np.median(hours) < 7
    assert hours.max() <= clocks.OFFLINE_H[1] + 0.01


def test_a_unit_without_a_wrong_clock_says_so_and_one_with_says_when_and_how_much() -> None:
    drawn = clocks.Clocks(
        from_s=np.array([np.inf, 3600.0]),
        to_s=np.array([np.inf, 7200.0]),
        offset_s=np.array([0.0, -30.0]),
        drift=np.array([0.0, 2.0 / DAY_S]),
        offline=[(0, 60.0, 3660.0)],
    )
    first = datetime(2030, 1, 1, tzinfo=UTC)
    spell = {"from": "2030-01-01T00:01:00Z", "to": "2030-01-01T01:01:00Z"}
    assert clocks.told(drawn, 0, first) == {"clock": None, "offline": [spell]}
    wrong = {
        "from": "2030-01-01T01:00:00Z",
        "to": "2030-01-01T02:00:00Z",
        "offset_s": -30.0,
        "drift_s_per_day": 2.0,
    }
    assert clocks.told(drawn, 1, first) == {"clock": wrong, "offline": []}


def test_the_files_carry_the_loggers_clock_and_the_truth_tells_by_how_much_it_was_wrong(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clocks, "WRONG_DAYS", 1e12)
    right = simulate(2 * BATCH, 60, 5)
    assert right.truth["clock"].isna().all()
    seen = fleet.starts.assign(ahead_s=(fleet.starts["at"] - right.starts["at"]).dt.total_seconds())
    wrong = fleet.truth[fleet.truth["clock"].notna()]
    assert 1 <= len(wrong) < 10
    assert set(seen.loc[seen["ahead_s"] != 0, "unit"]) <= set(wrong["unit"])
    for unit, clock in zip(wrong["unit"], wrong["clock"], strict=True):
        begin, end = pd.Timestamp(clock["from"]), pd.Timestamp(clock["to"])
        mine = seen[(seen["unit"] == unit) & (right.starts["at"] >= begin) & (right.starts["at"] < end)]
        days = (right.starts["at"][mine.index] - begin).dt.total_seconds() / DAY_S
        expected_s = clock["offset_s"] + clock["drift_s_per_day"] * days
        assert mine["ahead_s"].to_numpy() == pytest.approx(expected_s.to_numpy(), abs=0.02)
    # Nothing else is touched by it: what was measured stays.
    pd.testing.assert_frame_equal(fleet.starts.drop(columns="at"), right.starts.drop(columns="at"))
    assert fleet.rests["t_s"].equals(right.rests["t_s"])


def test_a_wrong_clock_is_never_so_wrong_that_records_change_their_order(fleet: Fleet) -> None:
    # 159 s is the shortest time between two tries of a unit seen in five fleets: an overload that closes in deep cold.
    assert clocks.LARGEST_S < 155
    for table in (fleet.starts, fleet.rests, fleet.events):
        same = table["unit"].eq(table["unit"].shift())
        assert (table["at"].diff()[same] > pd.Timedelta(0)).all()
