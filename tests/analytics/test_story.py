"""The story that the verdicts are made for: now and then no start in deep cold, clean days between, a kit, and quiet.

Common practice, no source: pressures that need longer than two minutes or so to equalise defeat an unassisted start,
the control reports a locked rotor, cycling its power clears it, and a start kit mends it. The unit is simulated.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import pandas as pd
import pytest

from analytics import replay
from analytics.tables import Tables, fleet
from analytics.verdict import Verdict
from simulator.fleet import Fleet, simulate

SEED, UNIT = 3, "u-0013"
Story = tuple[Fleet, dict[str, Verdict]]


@pytest.fixture(scope="module")
def story() -> Story:
    """A simulated winter, and what is said of the unit by date."""
    made = simulate(48, 190, SEED, faulty=0.4)
    whole = fleet(Tables(made.starts, made.units, made.rests, made.events, made.visits, made.forecasts))
    dates = replay.dates(whole, None, None, timedelta(days=1))
    told = (one.verdict for _, part in replay.ranked(whole, dates) for one in part)
    return made, {one.as_of[:10]: one for one in told if one.unit == UNIT}


def _days(at: Sequence[pd.Timestamp]) -> list[str]:
    return [str(one)[:10] for one in sorted(at)]


def _lockouts(made: Fleet) -> list[str]:
    return _days(made.events.loc[(made.events["unit"] == UNIT) & (made.events["event"] == "lockout"), "at"])


def _kit(made: Fleet) -> str:
    return _days([v.at for v in made.visits.itertuples() if v.unit == UNIT and "start_kit_fitted" in v.work])[0]


@pytest.mark.slow
def test_the_unit_locks_out_in_deep_cold_with_clean_days_between(story: Story) -> None:
    made, _ = story
    assert len(_lockouts(made)) == 2
    kit = pd.Timestamp(_kit(made), tz="UTC")
    starts = made.starts[(made.starts["unit"] == UNIT) & made.starts["at"].between(kit - pd.Timedelta(days=28), kit)]
    clean = (starts["outcome"] != "locked").groupby(starts["at"].dt.date).all()
    assert len(clean) >= 25
    assert 0.5 < clean.mean() < 0.95
    assert starts.loc[starts["outcome"] == "locked", "outdoor_c"].median() < starts["outdoor_c"].median() - 2


@pytest.mark.slow
def test_it_is_flagged_before_its_second_lockout_and_start_assist_is_asked_for_by_cause(story: Story) -> None:
    made, told = story
    second = _lockouts(made)[1]
    flagged = [day for day, one in told.items() if day <= second and (one.run_up.alarm or one.locked.alarm)]
    assert flagged
    eve = told[second]  # spoken at its midnight, before that day's lockout
    assert (eve.run_up.alarm or eve.locked.alarm, eve.standing) == (True, "start_assist")
    assert eve.causes.unequalised_pressures is not None
    assert eve.causes.unequalised_pressures > 0.9
    assert "cause_unequalised_pressures" in eve.reasons


@pytest.mark.slow
def test_three_weeks_after_the_kit_it_is_steady_and_the_kit_is_said_to_have_helped(story: Story) -> None:
    made, told = story
    after = told[str(pd.Timestamp(_kit(made)) + pd.Timedelta(days=22))[:10]]
    assert after.standing == "steady"
    assert after.repair is not None
    assert after.repair.verdict == "helped"
    assert after.repair.run_up_change is not None
    # Fitted, a kit brings run-up time to about half or less (common practice, no source).
    assert after.repair.run_up_change < -0.4
    assert after.repair.locked_high is not None


@pytest.mark.slow
def test_no_sound_unit_of_the_same_winter_is_sent_a_start_kit(story: Story) -> None:
    made, _ = story
    whole = fleet(Tables(made.starts, made.units, made.rests, made.events, made.visits, made.forecasts))
    sound = set(made.truth.loc[made.truth["cause"] == "none", "unit"])
    dates = replay.dates(whole, None, None, timedelta(days=7))
    asked = {
        one.verdict.unit
        for _, part in replay.ranked(whole, dates)
        for one in part
        if one.verdict.standing == "start_assist"
    }
    assert not asked & sound
