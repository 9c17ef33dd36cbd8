"""Outdoor temperature by the hour: seasons, days, weather that lasts, cold spells; and forecasts of it.

An invented cold inland region with three valleys. All figures are assumptions, none is a climate record.
Arrays are (place, hour); hours count from the first midnight UTC of the run.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Array = npt.NDArray[np.float64]
Generator = np.random.Generator

AREAS = ("north", "lake", "ridge")
_AREA_MEAN_C = np.array([[6.0], [8.0], [4.5]])
_AREA_SWING_C = np.array([[14.0], [12.0], [13.5]])
UTC_OFFSET_H = -7
"""Local standard time of the region, hours from UTC."""
SPARE_DAYS = 16
"""Days of weather made beyond the run, so that the last forecasts have something to err about."""

LEADS_H = np.r_[np.arange(0, 168, 3), np.arange(168, 337, 6)]
"""Hours ahead that a forecast speaks of: every 3 h for a week, then every 6 h to two weeks."""


def areas(start: datetime, days: int, rng: Generator) -> Array:
    """Return the temperature of each area [°C], shape (areas, 24·(days + SPARE_DAYS)).

    A yearly cosine with its lowest day on 15 January, a daily one, weather of about three days' memory common to
    the region and of one day's in each area, and cold spells: one late each January and others between December and
    February, some years more, some fewer.
    """
    hours = 24 * (days + SPARE_DAYS)
    hour = np.arange(hours)
    first = start.timetuple().tm_yday - 1
    day = first + hour / 24
    season = -np.cos(2 * np.pi * (day - 14) / 365.25)
    local = (hour + start.hour + UTC_OFFSET_H) % 24
    # Warmest at 15:00, coldest just before dawn; clear summer days swing more.
    daily = (5.0 + 1.5 * season) * np.cos(2 * np.pi * (local - 15) / 24)
    common = _lasting(rng, 1, hours, 72.0, 3.6)
    own = _lasting(rng, len(AREAS), hours, 24.0, 1.2)
    spells = _spells(start, hours, rng)
    outdoor_c: Array = _AREA_MEAN_C + _AREA_SWING_C * season + daily + common + own + spells
    return outdoor_c


def sites(area_c: Array, area: npt.NDArray[np.intp], rng: Generator) -> Array:
    """Return the temperature of each site [°C]: its area's, an offset for its height, and weather of its own."""
    hours = area_c.shape[1]
    offset = rng.normal(0, 0.9, (len(area), 1))
    return area_c[area] + offset + _lasting(rng, len(area), hours, 8.0, 0.4)


def errors(issues: int, rng: Generator) -> Array:
    """Return forecast errors of each area by issue and lead [K], shape (areas, issues, leads).

    Their spread grows from 0.8 K at once to some 5 K after two weeks; errors of neighbouring leads go together.
    """
    days = LEADS_H / 24
    spread = 0.8 + 4.6 * (1 - np.exp(-days / 6.0))
    steps = rng.normal(size=(len(AREAS), issues, len(LEADS_H)))
    gap = np.diff(LEADS_H, prepend=-3.0)
    walk = np.cumsum(steps * np.sqrt(gap), axis=-1) / np.sqrt(LEADS_H + 3.0)
    error_k: Array = walk * spread
    return error_k


def _lasting(rng: Generator, places: int, hours: int, memory_h: float, spread_c: float) -> Array:
    """Return weather that forgets itself with a time constant of memory_h hours: an AR(1) row for each place."""
    keep = np.exp(-1.0 / memory_h)
    steps = rng.normal(0, spread_c * np.sqrt(1 - keep**2), (places, hours))
    steps[:, 0] /= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], steps, axis=1), np.float64)


def _spells(start: datetime, hours: int, rng: Generator) -> Array:
    """Return what cold spells take off [°C, 0 or below]: smooth at both ends, three to seven days long."""
    total = np.zeros(hours)
    last = start + timedelta(hours=hours)
    for year in range(start.year - 1, last.year + 1):
        # Drawn for every winter whether it falls into the run or not, so that the draws do not shift.
        late = date(year + 1, 1, 22).toordinal() + rng.uniform(0, 2)
        others = date(year, 11, 25).toordinal() + rng.uniform(0, 90, 4)
        middles = np.r_[late + 3.5, others]
        lengths = np.r_[rng.uniform(6, 8), rng.uniform(2.5, 6, 4)]
        depths = np.r_[rng.uniform(13, 16), rng.uniform(5, 13, 4)]
        here = np.r_[True, rng.random(4) < 0.6]
        at = start.toordinal() + np.arange(hours) / 24
        for middle, length, depth, wanted in zip(middles, lengths, depths, here, strict=True):
            if wanted:
                total -= depth * np.exp(-(((at - middle) / (length / 2)) ** 4))
    return total
