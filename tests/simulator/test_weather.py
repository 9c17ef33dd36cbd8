"""The invented climate: cold late Januaries, lasting weather, and forecasts that err more the further they look."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from simulator import weather

START = datetime(2024, 10, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def year() -> np.ndarray:
    return weather.areas(START, 365, np.random.default_rng(3))


def test_january_is_the_coldest_month_and_july_the_warmest(year: np.ndarray) -> None:
    month = (np.datetime64("2024-10-01T00") + np.arange(year.shape[1])).astype("M8[M]")
    means = {m: year[:, month == m].mean() for m in np.unique(month)[:12]}
    coldest, warmest = min(means, key=means.__getitem__), max(means, key=means.__getitem__)
    assert str(coldest) in {"2024-12", "2025-01", "2025-02"}
    assert str(warmest) in {"2025-06", "2025-07", "2025-08"}
    assert -16 < means[coldest] < -4
    assert 14 < means[warmest] < 27


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_each_january_ends_in_a_cold_spell(seed: int) -> None:
    air = weather.areas(START, 130, np.random.default_rng(seed))
    january = air[:, 24 * 92 : 24 * 123]
    late = january[:, 24 * 21 : 24 * 29]
    assert late.mean() < january[:, : 24 * 20].mean() - 4
    assert late.min() < -18


def test_weather_lasts_from_hour_to_hour_and_forgets_within_weeks(year: np.ndarray) -> None:
    days = year[0, : 24 * 365].reshape(-1, 24).mean(axis=1)
    season = np.convolve(np.pad(days, 15, mode="edge"), np.ones(31) / 31, "valid")
    left = days - season
    one, fourteen = (np.corrcoef(left[:-lag], left[lag:])[0, 1] for lag in (1, 14))
    assert one > 0.4
    assert abs(fourteen) < 0.3


def test_forecast_errors_grow_with_how_far_they_look() -> None:
    errors = weather.errors(2000, np.random.default_rng(1))
    assert errors.shape == (len(weather.AREAS), 2000, len(weather.LEADS_H))
    spread = {int(lead): errors[:, :, k].std() for k, lead in enumerate(weather.LEADS_H)}
    assert 0.6 < spread[0] < 1.0
    assert spread[24] < spread[72] < spread[168] < spread[336]
    assert 4 < spread[336] < 6


def test_a_site_differs_from_its_area_by_its_height_and_little_else(year: np.ndarray) -> None:
    area = np.array([0, 0, 1, 2])
    air = weather.sites(year, area, np.random.default_rng(0))
    difference = air - year[area]
    assert difference.std(axis=1).max() < 0.6
    assert np.abs(difference.mean(axis=1)).max() < 4
