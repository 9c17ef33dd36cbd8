from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from analytics import core, posterior
from analytics.options import DAY_US
from analytics.state import State
from analytics.tables import Fleet, Tables, fleet
from analytics.verdict import CAUSES


@pytest.fixture(scope="module")
def end(made: ModuleType) -> tuple[State, Fleet, int, dict[str, str | None]]:
    built = made.fleet(40, 90, 5, faulty=0.4)
    whole = fleet(Tables(starts=built.tables.starts, units=built.tables.units))
    instant = (int(whole.starts.day[-1]) + 1) * DAY_US
    (state,) = [s for _, s in core.run(whole, [instant])]
    return state, whole, instant, built.cause


def test_a_posterior_sums_to_one_and_who_is_not_asked_about_has_the_prior(
    end: tuple[State, Fleet, int, dict[str, str | None]],
) -> None:
    state, whole, instant, _ = end
    asked = posterior.worth_asking(state, instant)
    share = posterior.causes(state, whole, asked, instant)
    assert share.sum(axis=1) == pytest.approx(np.ones(whole.size))
    other = np.setdiff1d(np.arange(whole.size), asked)
    assert share[other, -1] == pytest.approx(0.92)


def test_sound_units_are_mostly_not_asked_about_and_faulty_ones_are(
    end: tuple[State, Fleet, int, dict[str, str | None]],
) -> None:
    state, whole, instant, cause = end
    asked = np.isin(np.arange(whole.size), posterior.worth_asking(state, instant))
    faulty = np.array([cause[name] is not None for name in whole.names])
    assert asked[faulty].mean() > 0.8
    assert asked[~faulty].mean() < 0.3
    share = posterior.causes(state, whole, np.flatnonzero(asked), instant)
    assert share[faulty, : len(CAUSES)].sum(axis=1).mean() > 0.8


def test_a_lockout_counts_for_fourteen_days_or_until_work_is_done(
    end: tuple[State, Fleet, int, dict[str, str | None]],
) -> None:
    state, _, instant, _ = end
    before = state.tries.lockout_at.copy()
    state.tries.lockout_at[0] = instant - 13 * DAY_US
    state.tries.lockout_at[1] = instant - 15 * DAY_US
    assert posterior.locked_out(state, instant)[:2].tolist() == [True, False]
    assert 0 in posterior.worth_asking(state, instant)
    visited = state.worked_at.copy()
    state.worked_at[0] = instant - 2 * DAY_US  # work was done since
    assert not posterior.locked_out(state, instant)[0]
    state.worked_at[:] = visited
    state.tries.lockout_at[:] = before
