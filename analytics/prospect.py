"""The chance of a lockout within 7 and 14 days of every unit, from the state of the fleet."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from analytics import ahead, drift, locked, outlook, silence
from analytics.options import DAY_US
from analytics.outlook import Outlook
from analytics.state import State
from analytics.tables import Fleet, Ints

Floats = NDArray[np.float64]

WORTH_TELLING = 0.01
"""Probability of a lockout within 7 days from which it is told what the weather ahead does to it."""
RECENT_D = 14
"""Days that the number of starts a day is taken from."""


def look(state: State, fleet: Fleet, instant: int, units: Ints | None = None, *, forecast: bool = True) -> Outlook:
    """Return the lockouts to be expected after an instant, by physics and the fleet's hazard.

    Parameters
    ----------
    units : which units; all by default
    forecast : whether forecasts are used; without, the weather stays as the unit's last starts met it
    """
    pick = np.arange(fleet.size) if units is None else units
    day = instant // DAY_US
    days = np.clip(day - state.first_at[pick] // DAY_US, 1, RECENT_D)
    recent = state.activity.ring[pick][:, (day - 1 - np.arange(RECENT_D)) % silence.HISTORY_D].sum(axis=1)
    window = locked.window(state.rate)[pick]
    # One event of prior either way: what drift explains already is not counted twice.
    proneness = np.clip((1.0 + window[:, locked.SEEN]) / (1.0 + window[:, locked.EXPECTED_NOW]), 0.5, 20.0)
    lockouts, tries = outlook.LOCKOUT_SHARE
    site = [fleet.site[u] for u in pick.tolist()]
    sites = sorted({name for name in site if name is not None and name in fleet.forecasts}) if forecast else []
    return outlook.look(
        state.sample if units is None else outlook.part(state.sample, units),
        state.hazard,
        state.run_up.mean[pick],
        np.where(state.usable, drift.excess(state.run_up, state.options)[0], 0.0)[pick],
        fleet.reference_v[pick],
        recent / days,
        proneness,
        min(1.0, (state.lockouts + lockouts) / (max(state.locked_first - state.by_chance, 0.0) + tries)),
        {name: outlook.forecast_hours(fleet.forecasts[name], instant) for name in sites},
        site,
        instant,
    )


def rows(state: State, weather: Outlook, fault: Floats, instant: int) -> tuple[Floats, Floats]:
    """Return the rows of the correction for the first and for the second week; ``fault`` (units,) its probability."""
    window = locked.window(state.rate)
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


def ahead_fold(state: State, fleet: Fleet, weather: Outlook, fault: Floats, instant: int) -> Floats:
    """Return how many times likelier the weather forecast makes a lockout within 7 days, (units,).

    Against the weather of its last starts; NaN without a forecast, and where a lockout is unlikely with it.
    """
    out = np.full(fleet.size, np.nan)
    told = chances(state, weather, fault, instant)[0]
    units = np.flatnonzero(weather.forecast & state.usable & (told >= WORTH_TELLING))
    if len(units):
        week = weather.first_week.copy()
        week[units] = look(state, fleet, instant, units, forecast=False).first_week
        still = chances(state, dataclasses.replace(weather, first_week=week), fault, instant)[0]
        out[units] = told[units] / still[units]
    return out
