"""The oracle: it finds what faults do, and little else."""

from __future__ import annotations

import dataclasses

import numpy as np

from analytics.scoring import alarms, rivals_oracle
from analytics.scoring.folder import Known
from analytics.tables import LOCKED


def test_the_oracle_flags_most_faults_at_few_false_alarms(simulated: Known) -> None:
    score = rivals_oracle.drifted(simulated)
    assert score.shape == simulated.heard.shape
    risen = alarms.rises(score, simulated.visit, 8.0)
    assert alarms.false_rate(risen, simulated.sound) <= 1.0
    found = alarms.found(risen, simulated)
    assert np.isfinite(found.delay_d).mean() > 0.6


def test_a_fleet_that_starts_as_its_twins_do_has_no_evidence(simulated: Known) -> None:
    starts = simulated.fleet.starts
    with np.errstate(over="ignore"):
        as_twin = np.exp(simulated.twin.log).astype(np.float32)
    measured = {**starts.measured, "run_up_s": as_twin}
    fleet = dataclasses.replace(simulated.fleet, starts=dataclasses.replace(starts, measured=measured))
    assert np.nanmax(rivals_oracle.drifted(dataclasses.replace(simulated, fleet=fleet))) < 1e-6


def test_locked_starts_raise_the_sum_and_a_visit_clears_it(simulated: Known) -> None:
    starts = simulated.fleet.starts
    mine = starts.unit == 0
    outcome = starts.outcome.copy()
    outcome[mine & (starts.day == simulated.first_day + 30)] = LOCKED
    visit = np.zeros_like(simulated.visit)
    visit[0, 40] = True
    fleet = dataclasses.replace(simulated.fleet, starts=dataclasses.replace(starts, outcome=outcome))
    score = rivals_oracle.locks(dataclasses.replace(simulated, fleet=fleet, visit=visit))
    assert score[0, 30] > 5.0
    assert (np.diff(score[0, 31:40]) <= 0.0).all()
    assert score[0, 40] < 3.5
    assert rivals_oracle.locks(simulated)[simulated.cause < 0].max() < 12.0
