from __future__ import annotations

import numpy as np
import pytest

from analytics import features, hazard, outlook
from analytics.options import DAY_US, HOUR_US
from analytics.tables import Issue

AS_OF = 20_000 * DAY_US


def _sample(outdoor_c: float = 0.0) -> outlook.Sample:
    sample = outlook.begin(1)
    n = 4
    zero = np.zeros(n, dtype=np.int64)
    at = AS_OF - np.arange(n, 0, -1) * 3 * HOUR_US
    off, air = np.full(n, 3600.0), np.full(n, outdoor_c)
    for _ in range(12):
        outlook.take(sample, zero, at, off, air, np.full(n, 240.0), np.full(n, np.nan))
    return sample


@pytest.mark.parametrize(
    ("name", "told", "within"),
    [
        ("off_s", [20.0, 90.0, 300.0, 7200.0, 60_000.0], 0.016),
        ("line_v", [80.0, 115.2, 240.0, 519.0], 0.0037),
        ("outdoor_c", [-40.0, -9.9, 0.1, 21.3], 0.25),
        ("close_deg", [0.0, 45.3, 179.0], 0.36),
    ],
)
def test_what_the_sample_keeps_of_a_condition_is_near_what_was_told(
    name: outlook.ScaleName, told: list[float], within: float
) -> None:
    ratios = outlook.SCALES[name][2]
    got = outlook.values(name, outlook.steps(name, np.array([*told, np.nan])))
    off = got[:-1] / told - 1.0 if ratios else got[:-1] - told
    assert np.abs(off).max() <= within
    assert np.isnan(got[-1])


def test_what_is_beyond_the_end_of_a_scale_stands_at_its_end() -> None:
    got = outlook.values("off_s", outlook.steps("off_s", np.array([0.0, 1e9])))
    assert got == pytest.approx([20.0, 60_000.0])


def _look(forecast_c: float | None, excess: float = 0.3, hours: int = 336) -> outlook.Outlook:
    mean = np.zeros((1, features.WIDTH))
    mean[0, [0, features.COLD, features.SOAK]] = np.log(0.25), 0.3, 0.2
    told = np.full(336, np.nan)
    told[:hours] = np.nan if forecast_c is None else forecast_c
    return outlook.look(
        _sample(),
        hazard.begin(),
        mean,
        np.array([excess]),
        np.array([240.0]),
        np.array([12.0]),
        np.ones(1),
        0.3,
        {} if forecast_c is None else {"s": told},
        ["s"],
        AS_OF,
    )


def test_the_colder_the_forecast_the_likelier_a_lockout() -> None:
    chances = [_look(c).first_week[0] for c in (10.0, 0.0, -10.0, -25.0)]
    assert chances == sorted(chances)
    assert chances[-1] > 3 * chances[0]


def test_colder_weather_leaves_more_pressure_after_a_short_rest_and_so_locks_more() -> None:
    # A unit whose starts depend on rests alone.
    mean = np.zeros((1, features.WIDTH))
    mean[0, [0, features.REST_SLOW]] = np.log(0.4), 1.0
    one = np.ones(1)
    sample = _sample()
    sample.off_s[:] = outlook.steps("off_s", np.full(outlook.SAMPLE, 300.0))
    chances = [
        outlook.look(
            sample, hazard.begin(), mean, 0 * one, 240 * one, 12 * one, one, 0.3, {"s": np.full(336, c)}, ["s"], AS_OF
        ).first_week[0]
        for c in (10.0, -5.0, -20.0)
    ]
    assert chances[2] > 1.2 * chances[1] > 1.2 * 1.2 * chances[0]


def test_the_same_weather_gives_both_weeks_the_same() -> None:
    got = _look(-20.0, excess=1.0)
    assert 0 < got.first_week[0] == pytest.approx(got.second_week[0])


def test_without_a_forecast_the_weather_stays_and_it_is_said() -> None:
    none, same = _look(None), _look(0.0)
    assert not none.forecast[0]
    assert none.first_week[0] == pytest.approx(same.first_week[0])
    assert np.isnan(none.coldest_c[0])


def test_a_forecast_that_ends_early_is_told_apart() -> None:
    got = _look(-5.0, hours=96)
    assert got.forecast[0]
    assert not got.reaches[0]
    assert got.coldest_c[0] == -5.0


def test_only_issues_made_by_the_instant_are_known() -> None:
    hours = AS_OF + np.arange(1, 49) * HOUR_US
    issues = [Issue(AS_OF - DAY_US, hours, np.full(48, -1.0)), Issue(AS_OF + 1, hours, np.full(48, -9.0))]
    got = outlook.forecast_hours(issues, AS_OF)
    assert got[1:49].tolist() == [-1.0] * 48
    assert np.isnan(got[49:]).all()
    assert np.isnan(outlook.forecast_hours(issues, AS_OF - 2 * DAY_US)).all()
