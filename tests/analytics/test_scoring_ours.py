"""What the program says of a fleet, gathered by unit and day."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import replay
from analytics.options import DAY_US
from analytics.scoring import ours
from analytics.scoring.folder import Known
from analytics.scoring.ours import Ours


@pytest.fixture(scope="module")
def said(simulated: Known) -> Ours:
    """All verdicts of the fleet."""
    return ours.verdicts(simulated)


def test_the_arrays_hold_what_replay_says(simulated: Known, said: Ours) -> None:
    for day in (6, 47, 89):
        instant = (simulated.first_day + day + 1) * DAY_US
        ((_, ranked),) = replay.ranked(simulated.fleet, [instant])
        for u, one in enumerate(ranked):
            v = one.verdict
            assert said.alarms.alarm[u, day] == (v.run_up.alarm or v.locked.alarm)
            assert said.usable[u, day] == (v.lockout_7d is not None)
            if v.run_up.low is not None:
                assert said.low[u, day] == pytest.approx(np.log1p(v.run_up.low))
            if v.causes.cold_soak is not None:
                assert said.causes[u, day, 4] == pytest.approx(v.causes.cold_soak)


def test_alarms_alone_are_those_of_the_verdicts(simulated: Known, said: Ours) -> None:
    alone = ours.alarms(simulated.fleet, simulated.first_day, simulated.days)
    assert (alone.alarm == said.alarms.alarm).all()
    assert np.allclose(alone.either, said.alarms.either)


def test_a_fresh_alarm_means_a_score_above_the_shipped_threshold(said: Ours) -> None:
    fresh = said.alarms.alarm.copy()
    fresh[:, 1:] &= ~said.alarms.alarm[:, :-1]
    assert fresh.sum() >= 3
    assert (said.alarms.either[fresh] > ours.SHIPPED).all()


def test_each_visit_is_judged_once_and_by_a_verdict_that_speaks_of_it(simulated: Known, said: Ours) -> None:
    ripe = [v for v in simulated.visits if v.at // DAY_US - simulated.first_day + 21 < simulated.days]
    assert len(said.repairs) == len(ripe)
    told = [j for j in said.repairs if j.said is not None]
    assert len(told) >= 0.7 * len(ripe)
    assert all(abs(j.visit.at / 1e6 - np.datetime64(j.said.visit[:-1]).astype(int)) < 1 for j in told if j.said)


def test_start_time_alone_blanks_the_side_channels_and_keeps_conditions(simulated: Known) -> None:
    bare = ours.start_time_alone(simulated.fleet)
    assert len(bare.decays.day) == 0
    for name, values in bare.starts.measured.items():
        if name in ours.SIDE:
            assert np.isnan(values).all()
        else:
            assert values is simulated.fleet.starts.measured[name]
