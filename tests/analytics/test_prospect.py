from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from analytics import core, prospect
from analytics.options import DAY_US
from analytics.state import State
from analytics.tables import Fleet, Tables, fleet


def _forecast(site: str, instant: int, outdoor_c: float) -> dict[str, object]:
    issued = pd.Timestamp(instant, unit="us", tz="UTC")
    hours = [{"at": issued + pd.Timedelta(hours=h), "outdoor_c": outdoor_c} for h in range(14 * 24)]
    return {"site": site, "issued": issued, "hours": hours}


@pytest.fixture(scope="module")
def end(made: ModuleType) -> tuple[State, Fleet, int, pd.DataFrame, pd.DataFrame]:
    built = made.fleet(20, 60, 9)
    units = built.tables.units.assign(site=[f"s{n % 2}" for n in range(len(built.tables.units))])
    whole = fleet(Tables(starts=built.tables.starts, units=units))
    instant = (int(whole.starts.day[-1]) + 1) * DAY_US
    (state,) = [s for _, s in core.run(whole, [instant])]
    return state, whole, instant, built.tables.starts, units


def test_colder_days_ahead_raise_the_outlook_of_their_site_and_of_no_other(
    end: tuple[State, Fleet, int, pd.DataFrame, pd.DataFrame],
) -> None:
    state, _, instant, starts, units = end
    rates = {}
    for outdoor_c in (10.0, -25.0):
        forecasts = pd.DataFrame([_forecast("s0", instant, outdoor_c)])
        whole = fleet(Tables(starts=starts, units=units, forecasts=forecasts))
        weather = prospect.look(state, whole, instant)
        rates[outdoor_c] = weather.first_week
        assert np.array_equal(weather.forecast, np.array([site == "s0" for site in whole.site]))
    told = weather.forecast
    assert np.all(rates[-25.0][told] > rates[10.0][told])
    assert rates[-25.0][~told] == pytest.approx(rates[10.0][~told])


def test_the_chance_of_two_weeks_is_that_of_either_week(
    end: tuple[State, Fleet, int, pd.DataFrame, pd.DataFrame],
) -> None:
    state, whole, instant, _, _ = end
    weather = prospect.look(state, whole, instant)
    fault = np.full(whole.size, 0.08)
    first, both = prospect.chances(state, weather, fault, instant)
    assert np.all((first > 0) & (first <= both) & (both < 1))
    surer, _ = prospect.chances(state, weather, np.full(whole.size, 0.9), instant)
    assert np.all(surer > first)


def test_what_the_weather_ahead_does_is_told_where_a_lockout_is_likely_enough_and_a_forecast_is_there(
    end: tuple[State, Fleet, int, pd.DataFrame, pd.DataFrame],
) -> None:
    state, _, instant, starts, units = end
    fault = np.full(len(units), 0.9)
    folds = {}
    for outdoor_c in (10.0, -25.0):
        forecasts = pd.DataFrame([_forecast("s0", instant, outdoor_c)])
        whole = fleet(Tables(starts=starts, units=units, forecasts=forecasts))
        weather = prospect.look(state, whole, instant)
        folds[outdoor_c] = prospect.ahead_fold(state, whole, weather, fault, instant)
        assert np.all(np.isnan(folds[outdoor_c][~weather.forecast]))
        likely = prospect.chances(state, weather, fault, instant)[0] >= prospect.WORTH_TELLING
        assert np.array_equal(np.isfinite(folds[outdoor_c]), likely & weather.forecast & state.usable)
    cold, mild = folds[-25.0][np.isfinite(folds[-25.0])], folds[10.0][np.isfinite(folds[10.0])]
    assert len(cold) > 0
    assert np.all(cold > 1.0)
    assert np.all(mild < 1.0)
