"""Side evidence, where it is fitted: quantities whose change tells causes apart, each against its own baseline.

A channel that a unit does not have adds nothing: no value is made up for it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline
from analytics.baseline import Prior, Singles, Stream, Window
from analytics.options import Options
from analytics.spd import Reals
from analytics.tables import RAN, Decay, Ints, Starts

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAMES = ("sag", "line", "inrush", "power_factor", "watts", "equalising")
"""ln sag per ampere; ln volts before; ln inrush per volt; running power factor; ln running watts; ln decay constant."""
SCATTER = {"sag": 0.20, "line": 0.02, "inrush": 0.04, "power_factor": 0.015, "watts": 0.06, "equalising": 0.15}
"""Standard deviation of single values about the unit's own regression; assumptions of what loggers can read."""
DAY_SD = {"sag": 0.05, "line": 0.008, "inrush": 0.01, "power_factor": 0.004, "watts": 0.03, "equalising": 0.05}
WANDER = {"sag": 0.06, "line": 0.008, "inrush": 0.012, "power_factor": 0.005, "watts": 0.03, "equalising": 0.06}
SEASON = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.03, "watts": 0.08, "equalising": 0.0}
"""What the season does to a channel where no outdoor temperature is told that would account for it."""
CENTRE = {"sag": -1.5, "line": 0.0, "inrush": -1.0, "power_factor": 0.95, "watts": 7.8, "equalising": 4.3}
UNIT_SD = {"sag": 0.8, "line": 0.05, "inrush": 0.4, "power_factor": 0.05, "watts": 0.5, "equalising": 0.7}
READ = ("line_v", "line_min_v", "peak_a", "run_w", "run_pf", "outdoor_c", "cooling", "stage")
"""What of a start they are made from."""
RUNNING = ("power_factor", "watts")
"""Channels of the running compressor, which depend on voltage and on the way the cycle runs."""
LEAP_SD = 4.0
"""How far a channel may have moved while nothing recent is known of it, as after a visit, in scatters of values."""
OTHER_SD = 6.0
"""How far the high stage may lie from the low one, and cooling from heating, before data, in scatters of values."""
COOLING_FROM_C = 18.0
"""Outdoor temperature from which a start whose mode is not told counts as cooling (common practice, no source)."""


def _prior(name: str) -> Prior:
    slope = 3.0 * SCATTER[name]
    other = OTHER_SD * SCATTER[name]
    wide = [slope, other, other, slope, slope] if name in RUNNING else [slope]
    mean = np.array([CENTRE[name], *np.zeros(len(wide))])
    sd = UNIT_SD[name]
    return baseline.prior_before_data(mean, np.array([2.0 * sd, *wide]), np.array([sd, *wide]), 1)


def begin(units: int) -> dict[str, Stream]:
    """Return a stream for each channel."""
    return {name: baseline.begin(np.zeros(units, dtype=np.int64), _prior(name)) for name in NAMES}


def values(
    starts: Starts, rows: Ints | slice, used: Mapping[str, Reals], alike: Bools, reference_v: Floats
) -> dict[str, tuple[Floats, Floats]]:
    """Return for each channel but ``equalising`` the values of starts (NaN where not fitted) and their conditions.

    ``used`` are the conditions that may be used of them, ``alike`` whether they tell all that their unit usually does,
    as from ``analytics.told.take``.
    """
    unit = starts.unit[rows]
    field = [used[name] if name in used else starts.measured[name][rows] for name in READ]
    warm, running, value = _values(starts.outcome[rows] == RAN, reference_v[unit], *field)
    value[:, ~alike] = np.nan
    return {name: (value[k], running if name in RUNNING else warm) for k, name in enumerate(NAMES[:-1])}


@numba.njit(cache=True)
def _values(
    ran: Bools,
    reference_v: Floats,
    line_v: Singles,
    line_min_v: Singles,
    peak_a: Singles,
    run_w: Singles,
    run_pf: Singles,
    outdoor_c: Singles,
    cooling: Singles,
    stage: Singles,
) -> tuple[Floats, Floats, Floats]:
    """Return the conditions of a stopped and of a running compressor, (n, 2) and (n, 6), and the channels (5, n)."""
    count = len(ran)
    warm, running, value = np.zeros((count, 2)), np.zeros((count, 6)), np.full((5, count), np.nan)
    for k in range(count):
        volts, least, peak = float(line_v[k]), float(line_min_v[k]), float(peak_a[k])
        if volts - least > 0.3 and peak > 1.0:
            value[0, k] = np.log((volts - least) / peak * 10.0)
        if volts > 0:
            value[1, k] = np.log(volts / reference_v[k])
            running[k, 5] = 10.0 * value[1, k]
        if least > 50 and peak > 1.0:
            value[2, k] = np.log(peak / least)
        if ran[k] and run_pf[k] > 0.2:
            value[3, k] = run_pf[k]
        if ran[k] and run_w[k] > 50:
            value[4, k] = np.log(float(run_w[k]))
        told = not np.isnan(outdoor_c[k])
        known_c = float(outdoor_c[k]) if told else 5.0
        warm[k, 0], warm[k, 1] = 1.0, (known_c - 5.0) / 20.0
        # A running compressor's pressures depend on the mode, its load on the stage too.
        cools = known_c >= COOLING_FROM_C if np.isnan(cooling[k]) else cooling[k] > 0
        running[k, 0], running[k, 2], running[k, 3] = 1.0, stage[k] == 2, cools
        running[k, 4 if cools else 1] = (known_c - (30.0 if cools else 5.0)) / 20.0
    return warm, running, value


def _warm(outdoor_c: Floats) -> Floats:
    return np.column_stack([np.ones(len(outdoor_c)), np.where(np.isnan(outdoor_c), 0.0, (outdoor_c - 5.0) / 20.0)])


def take(streams: Mapping[str, Stream], name: str, unit: Ints, value: Floats, x: Floats, options: Options) -> None:
    """Add a span's values of one channel, which stand by unit; far outliers count as four standard deviations off."""
    stream, sd = streams[name], SCATTER[name]
    y = _clipped(unit, value, x, stream.mean, stream.cov, stream.recent_n, stream.recent_m, sd)
    sums = baseline.day_sums(unit, x, y, np.array([sd**-2]), DAY_SD[name] ** 2)
    if len(sums.unit):
        baseline.add(stream, sums, options)


@numba.njit(cache=True)
def _clipped(
    unit: Ints, value: Floats, x: Floats, mean: Singles, cov: Singles, n: Singles, m: Singles, sd: float
) -> Floats:
    """Return values held to four standard deviations about where their unit lately stood; NaN stays."""
    out = value.copy()
    p = x.shape[1]
    shift, width = 0.0, 0.0
    for k in range(len(value)):
        u = unit[k]
        if k == 0 or u != unit[k - 1]:
            shift, own = 0.0, float(n[u, 0])
            if own > 0:
                shift = float(m[u, 0])
                for a in range(p):
                    shift -= n[u, a * (a + 1) // 2] * mean[u, a]
                shift /= own
            width = 4.0 * np.sqrt(sd**2 + cov[u, 0] + 1.0 / (own + (LEAP_SD * sd) ** -2))
        if np.isfinite(value[k]):
            centre = shift
            for a in range(p):
                centre += x[k, a] * mean[u, a]
            out[k] = min(max(value[k], centre - width), centre + width)
    return out


def take_rests(streams: Mapping[str, Stream], decays: Decay, rows: slice, options: Options) -> None:
    """Add a day's decay constants."""
    take(streams, "equalising", decays.unit[rows], np.log(decays.tau_s[rows]), _warm(decays.outdoor_c[rows]), options)


def shift(stream: Stream, name: str, units: Ints, window: Window) -> tuple[Floats, Floats]:
    """Return how far a channel now stands from its baseline and the standard deviation of that; NaN where unknown."""
    n, m, w = baseline.window(stream, window)
    return _shift(units, n, m, w, stream.mean, stream.cov, stream.base_blocks, WANDER[name] ** 2, SEASON[name] ** 2)


@numba.njit(cache=True)
def _shift(
    units: Ints,
    n: Singles,
    m: Singles,
    w: Singles,
    mean: Singles,
    cov: Singles,
    blocks: NDArray[np.int16],
    wander: float,
    season: float,
) -> tuple[Floats, Floats]:
    value, sd = np.full(len(units), np.nan), np.full(len(units), np.nan)
    for k in range(len(units)):
        u = units[k]
        own = float(n[u, 0])
        if own > 0 and blocks[u] > 0:
            excess, known, place = float(m[u, 0]), 0.0, 0
            for a in range(m.shape[1]):
                row = float(n[u, place])
                excess -= row * mean[u, a]
                for b in range(a):
                    known += 2.0 * row * cov[u, place + b] * n[u, b * (b + 1) // 2]
                known += row * row * cov[u, place + a]
                place += a + 1
            value[k] = excess / own
            untold = season if n[u, 2] <= 0 else 0.0
            sd[k] = np.sqrt(w[u, 1] / w[u, 0] / own + known / own**2 + wander + untold)
    return value, sd
