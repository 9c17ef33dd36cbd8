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
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analytics import features, hazard, spd
from analytics.hazard import Hazard
from analytics.options import HOUR_US
from analytics.spd import Reals
from analytics.tables import Ints, Issue

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAMPLE = 12
"""Recent first attempts kept a unit, two a day."""
A_DAY = 2
DAYS = 14
ScaleName = Literal["off_s", "outdoor_c", "line_v", "close_deg"]
SCALES: Mapping[ScaleName, tuple[float, float, bool]] = {
    "off_s": (20.0, 60_000.0, True),
    "outdoor_c": (-63.5, 63.5, False),
    "line_v": (80.0, 520.0, True),
    "close_deg": (0.0, 180.0, False),
}
"""From where to where the conditions of the sample are told apart, and whether by ratios: rests to 3 %, air to half a
kelvin, voltages to 0.7 %, angles to 0.7°. A rest beyond a few minutes or hours no longer matters much."""
UNKNOWN = 255
LOCKOUT_SHARE = (1.5, 5.0)
"""Lockouts and locked first attempts that the share is held to before the fleet has shown its own."""


@dataclass
class Sample:
    """Conditions of recent first attempts of each unit, (units, 12), a ring: rest, air, voltage, angle, and hour.

    All but the hour are `SCALES`' steps; `UNKNOWN` is not known.
    """

    off_s: NDArray[np.uint8]
    outdoor_c: NDArray[np.uint8]
    line_v: NDArray[np.uint8]
    close_deg: NDArray[np.uint8]
    hour: NDArray[np.int8]
    filled: NDArray[np.uint8]


def begin(units: int) -> Sample:
    """Return an empty sample."""
    unknown = np.full((units, SAMPLE), UNKNOWN, dtype=np.uint8)
    return Sample(
        off_s=unknown,
        outdoor_c=unknown.copy(),
        line_v=unknown.copy(),
        close_deg=unknown.copy(),
        hour=np.zeros((units, SAMPLE), dtype=np.int8),
        filled=np.zeros(units, dtype=np.uint8),
    )


def part(sample: Sample, units: Ints) -> Sample:
    """Return the sample of some units."""
    return Sample(*(getattr(sample, f.name)[units] for f in fields(sample)))


def take(sample: Sample, unit: Ints, at: Ints, off_s: Reals, outdoor_c: Reals, line_v: Reals, close_deg: Reals) -> None:
    """Keep two of the day's first attempts of each unit; they stand by unit and instant."""
    if len(unit) == 0:
        return
    starts = np.flatnonzero(np.diff(unit, prepend=-1))
    size = np.diff(np.append(starts, len(unit)))
    rows = np.stack([starts + (2 * j + 1) * size // (2 * A_DAY) for j in range(A_DAY)])
    rest, air = steps("off_s", off_s[rows]), steps("outdoor_c", outdoor_c[rows])
    volts, angle = steps("line_v", line_v[rows]), steps("close_deg", close_deg[rows])
    u = unit[starts]
    for j in range(A_DAY):
        place = sample.filled[u] % SAMPLE
        sample.off_s[u, place], sample.outdoor_c[u, place] = rest[j], air[j]
        sample.line_v[u, place], sample.close_deg[u, place] = volts[j], angle[j]
        sample.hour[u, place] = (at[rows[j]] // HOUR_US) % 24
        # Twice the places and on: where the next one goes, and that all are filled.
        sample.filled[u] = np.where(sample.filled[u] == 2 * SAMPLE - 1, SAMPLE, sample.filled[u] + 1)


def steps(name: ScaleName, values: Reals) -> NDArray[np.uint8]:
    """Return values in the steps of their scale; what is beyond an end of it stands at that end."""
    low, high, by_ratio = SCALES[name]
    told = np.clip(np.where(np.isnan(values), low, values), low, high).astype(np.float64)
    share = np.log(told / low) / np.log(high / low) if by_ratio else (told - low) / (high - low)
    return np.where(np.isnan(values), UNKNOWN, np.rint(share * (UNKNOWN - 1))).astype(np.uint8)


def values(name: ScaleName, kept: NDArray[np.uint8]) -> Floats:
    """Return what steps of a scale stand for, NaN where nothing is known."""
    low, high, by_ratio = SCALES[name]
    share = np.where(kept == UNKNOWN, np.nan, kept / (UNKNOWN - 1.0))
    return np.asarray(low * (high / low) ** share if by_ratio else low + share * (high - low))


def conditions(sample: Sample, reference_v: Floats) -> Floats:
    """Return the features of the sample, (units, 12, p); ``reference_v`` (units,)."""
    x = features.conditions(
        values("off_s", sample.off_s.ravel()),
        values("outdoor_c", sample.outdoor_c.ravel()),
        values("line_v", sample.line_v.ravel()),
        values("close_deg", sample.close_deg.ravel()),
        np.repeat(reference_v, SAMPLE),
    )
    return x.reshape(-1, SAMPLE, features.WIDTH)


def there(sample: Sample) -> Bools:
    """Return which places of the sample are filled, (units, 12)."""
    return np.asarray(np.arange(SAMPLE) < np.minimum(sample.filled, SAMPLE)[:, None])


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
    reference_v: Floats,
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
    reference_v : (units,) voltage of the nameplate
    starts_a_day, proneness : (units,) expected first attempts a day, and times the hazard that the unit locks
    lockout_share : share of locked first attempts that become lockouts
    site_hours : °C for the next 336 hours by site
    as_of : instant, microseconds since 1970 UTC
    """
    units = len(mean)
    now_hour = (as_of // HOUR_US) % 24
    known = {name: hours for name, hours in site_hours.items() if np.isfinite(hours).any()}
    reach = np.array([name in known for name in site], dtype=bool)
    mean_p, reaches, coldest = np.zeros((units, DAYS)), np.zeros(units, dtype=bool), np.full(units, np.nan)
    # Without a forecast one day stands for all.
    for some in spd.pieces(np.flatnonzero(~reach)):
        mean_p[some] = _mean(model, part(sample, some), None, reference_v[some], mean[some], excess[some])
    for some in spd.pieces(np.flatnonzero(reach)):
        ahead = np.stack([known[site[u] or ""] for u in some.tolist()])
        hour = ((sample.hour[some] - now_hour) % 24)[:, :, None] + 24 * np.arange(DAYS)
        hours = ahead[np.arange(len(some))[:, None, None], hour]
        mean_p[some] = _mean(model, part(sample, some), hours, reference_v[some], mean[some], excess[some])
        reaches[some] = np.isfinite(ahead[:, -24:]).any(axis=1)
        coldest[some] = np.nanmin(ahead, axis=1)
    daily = starts_a_day[:, None] * np.minimum(mean_p * proneness[:, None], 1.0) * lockout_share
    return Outlook(
        first_week=daily[:, :7].sum(axis=1),
        second_week=daily[:, 7:].sum(axis=1),
        forecast=reach,
        reaches=reaches,
        coldest_c=coldest,
    )


def _mean(model: Hazard, met: Sample, told: Floats | None, reference_v: Floats, mean: Reals, excess: Floats) -> Floats:
    """Return the chance that a start locks by hardness, mean of the sample by day, (units, days).

    ``told`` are temperatures (units, 24, days), NaN where nothing is told; None is a day like those of the sample.
    """
    x, have = conditions(met, reference_v), there(met)
    level = np.einsum("usp,up->us", x, mean) + excess[:, None]
    cold, soak, lifted = x[:, :, features.COLD, None], x[:, :, features.SOAK, None], np.ones((1, 1, 1))
    levels = level[:, :, None]
    if told is not None:
        off_s, outdoor_c = values("off_s", met.off_s)[:, :, None], values("outdoor_c", met.outdoor_c)[:, :, None]
        temperature = np.where(np.isnan(told), outdoor_c, told)
        cold, hot, soak = features.weather(temperature, np.broadcast_to(off_s, temperature.shape))
        lifted = features.lift(temperature) / features.lift(outdoor_c)
        # Everything but what depends on the weather is the same for all days: only that is worked out for each.
        rests = [features.REST_FAST, features.REST, features.REST_SLOW]
        rested = np.einsum("usp,up->us", x[:, :, rests], mean[:, rests])[:, :, None]
        levels = levels + rested * (lifted - 1.0)
        for term, column in ((cold, features.COLD), (hot, features.HOT), (soak, features.SOAK)):
            levels = levels + (term - x[:, :, column, None]) * mean[:, column, None, None]
    p = hazard.under_weather(model, levels, x, lifted, cold, soak)
    return np.asarray(np.einsum("us,usd->ud", have, p) / np.maximum(have.sum(axis=1), 1)[:, None])
