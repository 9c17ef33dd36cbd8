"""How many lockouts are to be expected of a unit, under the site's forecast or else as the weather has lately been.

The last starts of the unit stand for those to come: their rests, voltages and hours stay, the temperature becomes the
forecast's, the expected run-up moves by the present drift, and the fleet's hazard gives the chance that each locks.
A locked start becomes a lockout when its retries lock too, in the share that the fleet shows. Only starts that lock by
hardness count: what locks by chance starts at its retry.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from analytics import features, hazard
from analytics.hazard import Hazard
from analytics.options import HOUR_US
from analytics.spd import Reals
from analytics.tables import Ints, Issue

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAMPLE = 24
"""Recent first attempts kept a unit, two a day."""
A_DAY = 2
DAYS = 14
LOCKOUT_SHARE = (1.5, 5.0)
"""Lockouts and locked first attempts that the share is held to before the fleet has shown its own."""


@dataclass
class Sample:
    """Recent first attempts of each unit: features (units, 24, p), rest and air temperature, hour; a ring."""

    x: NDArray[np.float32]
    off_s: NDArray[np.float32]
    outdoor_c: NDArray[np.float32]
    hour: NDArray[np.int8]
    filled: Ints


def begin(units: int) -> Sample:
    """Return an empty sample."""
    return Sample(
        x=np.zeros((units, SAMPLE, features.WIDTH), dtype=np.float32),
        off_s=np.full((units, SAMPLE), np.nan, dtype=np.float32),
        outdoor_c=np.full((units, SAMPLE), np.nan, dtype=np.float32),
        hour=np.zeros((units, SAMPLE), dtype=np.int8),
        filled=np.zeros(units, dtype=np.int64),
    )


def part(sample: Sample, units: Ints) -> Sample:
    """Return the sample of some units."""
    return Sample(*(getattr(sample, f.name)[units] for f in fields(sample)))


def take(sample: Sample, unit: Ints, at: Ints, x: Floats, off_s: Floats, outdoor_c: Floats) -> None:
    """Keep two of the day's first attempts of each unit; they stand by unit and instant."""
    if len(unit) == 0:
        return
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    size = np.diff(np.append(starts, len(unit)))
    for j in range(A_DAY):
        row = starts + (2 * j + 1) * size // (2 * A_DAY)
        u = unit[row]
        place = sample.filled[u] % SAMPLE
        sample.x[u, place] = x[row]
        sample.off_s[u, place] = off_s[row]
        sample.outdoor_c[u, place] = outdoor_c[row]
        sample.hour[u, place] = (at[row] // HOUR_US) % 24
        sample.filled[u] += 1


def forecast_hours(issues: Sequence[Issue], as_of: int) -> Floats:
    """Return the latest forecast issued by an instant, °C for each of the next 336 hours, NaN where it says nothing."""
    out = np.full(DAYS * 24, np.nan)
    last = bisect_right(issues, as_of, key=lambda issue: issue.issued)
    if last:
        issue = issues[last - 1]
        hour = (issue.at - as_of) // HOUR_US
        ahead = (hour >= 0) & (hour < len(out))
        out[hour[ahead]] = issue.outdoor_c[ahead]
    return out


@dataclass(frozen=True)
class Outlook:
    """Lockouts to be expected in the first and second week; whether a forecast was there, and reached far enough."""

    first_week: Floats
    second_week: Floats
    forecast: Bools
    reaches: Bools
    coldest_c: Floats


def look(
    sample: Sample,
    model: Hazard,
    mean: Reals,
    excess: Floats,
    starts_a_day: Floats,
    proneness: Floats,
    lockout_share: float,
    site_hours: Mapping[str, Floats],
    site: Sequence[str | None],
    as_of: int,
) -> Outlook:
    """Return the outlook of all units.

    Parameters
    ----------
    mean : (units, p) baseline coefficients
    excess : (units,) present drift in ln run-up, shrunk by what is not known of it
    starts_a_day, proneness : (units,) expected first attempts a day, and times the hazard that the unit locks
    lockout_share : share of locked first attempts that become lockouts
    site_hours : °C for the next 336 hours by site
    as_of : instant, microseconds since 1970 UTC
    """
    units = len(mean)
    now_hour = (as_of // HOUR_US) % 24
    lookup = np.full((units, DAYS * 24), np.nan)
    for u, name in enumerate(site):
        if name is not None and name in site_hours:
            lookup[u] = site_hours[name]
    ahead = (sample.hour - now_hour) % 24
    index = ahead[:, :, None] + 24 * np.arange(DAYS)
    told = lookup[np.arange(units)[:, None, None], index]
    temperature = np.where(np.isnan(told), sample.outdoor_c[:, :, None], told)
    cold, hot, soak = features.weather(temperature, np.broadcast_to(sample.off_s[:, :, None], temperature.shape))
    # Everything but the weather terms is the same for all days: only those are worked out for each.
    still = sample.x.astype(np.float64)
    still[:, :, [features.COLD, features.HOT, features.SOAK]] = 0.0
    level = np.einsum("usp,up->us", still, mean)[:, :, None] + excess[:, None, None]
    level = level + sum(
        term * mean[:, column][:, None, None]
        for term, column in ((cold, features.COLD), (hot, features.HOT), (soak, features.SOAK))
    )
    p = hazard.under_weather(model, level, still, cold, soak)
    have = np.arange(SAMPLE) < np.minimum(sample.filled, SAMPLE)[:, None]
    share = np.where(have, 1.0, 0.0)
    mean_p = np.einsum("us,usd->ud", share, p) / np.maximum(share.sum(axis=1), 1.0)[:, None]
    daily = starts_a_day[:, None] * np.minimum(mean_p * proneness[:, None], 1.0) * lockout_share
    reach = np.isfinite(lookup).any(axis=1)
    with np.errstate(invalid="ignore"):
        coldest = np.where(reach, np.nanmin(np.where(np.isnan(lookup), np.inf, lookup), axis=1), np.nan)
    return Outlook(
        first_week=daily[:, :7].sum(axis=1),
        second_week=daily[:, 7:].sum(axis=1),
        forecast=reach,
        reaches=np.isfinite(lookup[:, -24:]).any(axis=1),
        coldest_c=coldest,
    )
