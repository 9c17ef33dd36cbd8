"""The chance of a lockout within 7 and 14 days of every unit, from the state of the fleet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics import ahead, drift, locked, outlook, silence
from analytics.options import DAY_US
from analytics.outlook import Outlook
from analytics.state import State
from analytics.tables import Fleet

Floats = NDArray[np.float64]

RECENT_D = 14
"""Days that the number of starts a day is taken from."""


def look(state: State, fleet: Fleet, instant: int) -> Outlook:
    """Return the lockouts to be expected of all units after an instant, by physics and the fleet's hazard."""
    day = instant // DAY_US
    days = np.clip(day - state.first_at // DAY_US, 1, RECENT_D)
    recent = state.activity.ring[:, (day - 1 - np.arange(RECENT_D)) % silence.HISTORY_D].sum(axis=1)
    window = state.rate.ring.sum(axis=1, dtype=np.float64)
    # One event of prior either way: what drift explains already is not counted twice.
    proneness = np.clip((1.0 + window[:, locked.SEEN]) / (1.0 + window[:, locked.EXPECTED_NOW]), 0.5, 20.0)
    lockouts, tries = outlook.LOCKOUT_SHARE
    sites = sorted({site for site in fleet.site if site is not None and site in fleet.forecasts})
    return outlook.look(
        state.sample,
        state.hazard,
        state.run_up.mean,
        np.where(state.usable, drift.excess(state.run_up, state.options)[0], 0.0),
        recent / days,
        proneness,
        min(1.0, (state.lockouts + lockouts) / (max(state.locked_first - state.by_chance, 0.0) + tries)),
        {site: outlook.forecast_hours(fleet.forecasts[site], instant) for site in sites},
        fleet.site,
        instant,
    )


def rows(state: State, weather: Outlook, fault: Floats, instant: int) -> tuple[Floats, Floats]:
    """Return the rows of the correction for the first and for the second week; ``fault`` (units,) its probability."""
    window = state.rate.ring.sum(axis=1, dtype=np.float64)
    facts = ahead.Facts(
        seen=window[:, locked.SEEN],
        expected=window[:, locked.EXPECTED_NOW],
        drift_nats=state.drift.evidence,
        locked_retries=window[:, locked.RETRIES],
        joint_nats=state.drift.nats,
        locked_nats=state.rate.score,
        days_since_lockout=(instant - np.maximum(state.tries.lockout_at, 0)) / DAY_US,
        fault=fault,
    )
    return ahead.design(weather.first_week, facts), ahead.design(weather.second_week, facts)


def chances(state: State, weather: Outlook, fault: Floats, instant: int) -> tuple[Floats, Floats]:
    """Return the probability of a lockout within 7 and within 14 days."""
    first, second = (ahead.probability(state.record, x) for x in rows(state, weather, fault, instant))
    return first, 1.0 - (1.0 - first) * (1.0 - second)
