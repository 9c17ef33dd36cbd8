"""A simulated fleet and its truth side by side."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analytics.options import DAY_US
from analytics.scoring.folder import NEVER, Known
from analytics.tables import RAN


def test_every_first_start_has_its_twin_and_starts_like_it_while_sound(simulated: Known) -> None:
    starts, twin = simulated.fleet.starts, simulated.twin
    first = starts.measured["retry"] == 0
    assert np.isfinite(twin.log[first]).all()
    assert np.isnan(twin.log[~first]).all()
    sound = (starts.at < simulated.onset[starts.unit]) & (starts.outcome == RAN) & first
    off = np.log(starts.measured["run_up_s"][sound]) - twin.log[sound]
    assert abs(np.nanmedian(off)) < 0.02


def test_days_before_the_onset_are_sound_and_days_after_it_are_not(simulated: Known) -> None:
    ill = np.flatnonzero(simulated.cause >= 0)
    assert len(ill) >= 10
    for u in ill:
        day = simulated.onset[u] // DAY_US - simulated.first_day
        assert not simulated.sound[u, day:].any()
    well = simulated.cause < 0
    assert (simulated.sound[well] == simulated.heard[well]).all()


def test_first_lockouts_lie_between_onset_and_repair(simulated: Known) -> None:
    units = np.flatnonzero(simulated.lockout < NEVER)
    assert (simulated.lockout[units] >= simulated.onset[units]).all()
    assert (simulated.lockout[units] < simulated.fixed[units]).all()
    assert simulated.locked_out.sum() >= len(units)


def test_visits_have_their_true_change(simulated: Known) -> None:
    assert len(simulated.visits) >= 5
    assert np.isfinite([v.log_change for v in simulated.visits]).mean() > 0.7
    assert not any(v.right and not v.faulty for v in simulated.visits)


def test_the_chance_of_a_lockout_is_that_of_its_day(simulated: Known) -> None:
    assert simulated.chance.shape == simulated.heard.shape
    assert ((simulated.chance >= 0) & (simulated.chance <= 1)).all()
    assert simulated.chance[simulated.locked_out].mean() > 10 * simulated.chance.mean()


def test_winter_is_december_to_february(make_known: Callable[..., Known]) -> None:
    # 2024-11-01 is day 20028 of the epoch: 30 days of November, then 90 of winter up to the end of February.
    known = make_known([-1], [-1], [-1], days=150, first_day=20_028)
    assert np.flatnonzero(known.winter).tolist() == list(range(30, 120))
