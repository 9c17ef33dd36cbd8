"""Side evidence, where it is fitted: quantities whose change tells causes apart, each against its own baseline.

A channel that a unit does not have adds nothing: no value is made up for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline, compact
from analytics.baseline import Prior, Stream, Window
from analytics.compact import STEPS, Singles
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
SEASON = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.03, "watts": 0.08, "equalising": 0.15}
"""What the season does to a channel where no outdoor temperature is told that would account for it; pressures equalise
slower in cold, by some 1 % a kelvin (assumption)."""
BEND = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.015, "watts": 0.03, "equalising": 0.0}
"""By how much a channel may be off a straight line in the outdoor temperature 20 K from 5 °C; it grows with the square
(assumptions)."""
# What channels stand about (assumption). It is taken off before anything is summed: what is near zero loses least.
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
    mean = np.zeros(1 + len(wide))
    sd = UNIT_SD[name]
    return baseline.prior_before_data(mean, np.array([2.0 * sd, *wide]), np.array([sd, *wide]), 1)


@dataclass
class Channel:
    """One quantity, with a row of the stream for each unit that has told it.

    ``unit`` is whose each row is, ``row`` (units,) which is each unit's, -1 where it has none.
    """

    row: NDArray[np.int32]
    unit: Ints
    stream: Stream


def begin(units: int) -> dict[str, Channel]:
    """Return each channel before any unit has told it."""
    nobody = np.zeros(0, dtype=np.int64)
    return {
        name: Channel(np.full(units, -1, dtype=np.int32), nobody, baseline.begin(nobody, _prior(name)))
        for name in NAMES
    }


def part(channel: Channel, units: Ints) -> Channel:
    """Return a copy of some units' part of a channel."""
    rows = _rows(channel, units)
    some = np.flatnonzero(rows >= 0)
    row = np.full(len(units), -1, dtype=np.int32)
    row[some] = np.arange(len(some))
    return Channel(row, some, baseline.part(channel.stream, rows[some]))


def _rows(channel: Channel, units: Ints) -> Ints:
    return channel.row[units].astype(np.int64)


def _join(channel: Channel, units: Ints) -> None:
    """Give units a row that have told a channel for the first time."""
    if len(units):
        channel.row[units] = len(channel.unit) + np.arange(len(units))
        channel.unit = np.concatenate([channel.unit, units])
        fresh = baseline.begin(np.zeros(len(units), dtype=np.int64), channel.stream.prior)
        channel.stream = baseline.joined(channel.stream, fresh)


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


def take(side: Mapping[str, Channel], name: str, unit: Ints, value: Floats, x: Floats, options: Options) -> None:
    """Add a span's values of one channel, which stand by unit; far outliers count as four standard deviations off."""
    channel, sd, told = side[name], SCATTER[name], np.isfinite(value)
    if not told.any():
        return
    _join(channel, np.unique(unit[told & (channel.row[unit] < 0)]))
    stream, row, value = channel.stream, _rows(channel, unit), value - CENTRE[name]
    n = stream.recent_n
    y = _clipped(row, value, x, stream.mean, stream.level_var, n.diagonal, n.cosines, stream.recent_m, sd)
    baseline.add(stream, baseline.day_sums(row, x, y, np.array([sd**-2]), DAY_SD[name] ** 2), options)


def learn(side: Mapping[str, Channel], day: int, since_day: NDArray[np.int32], options: Options) -> None:
    """Let units learn at the end of a day what is normal for them; ``since_day`` (units,) as for the baseline."""
    for channel in side.values():
        baseline.learn(channel.stream, day, since_day[channel.unit], options)


def restart(side: Mapping[str, Channel], units: Ints, day: int) -> None:
    """Let units begin anew."""
    for channel in side.values():
        rows = _rows(channel, units)
        baseline.restart(channel.stream, rows[rows >= 0], day)


@numba.njit(cache=True)
def _clipped(
    row: Ints,
    value: Floats,
    x: Floats,
    mean: Singles,
    level_var: Singles,
    diagonal: Singles,
    cosines: NDArray[np.int16],
    m: Singles,
    sd: float,
) -> Floats:
    """Return values held to four standard deviations about where their unit lately stood; NaN stays."""
    out = value.copy()
    p = x.shape[1]
    shift, width = 0.0, 0.0
    for k in range(len(value)):
        u = row[k]
        if u < 0:
            continue
        if k == 0 or u != row[k - 1]:
            shift, own = 0.0, float(diagonal[u, 0])
            if own > 0:
                shift = m[u, 0] / own - mean[u, 0]
                for a in range(1, p):
                    shift -= cosines[u, a * (a - 1) // 2] / STEPS * np.sqrt(diagonal[u, a] / own) * mean[u, a]
            width = 4.0 * np.sqrt(sd**2 + level_var[u] + 1.0 / (own + (LEAP_SD * sd) ** -2))
        if np.isfinite(value[k]):
            centre = shift
            for a in range(p):
                centre += x[k, a] * mean[u, a]
            out[k] = min(max(value[k], centre - width), centre + width)
    return out


def take_rests(side: Mapping[str, Channel], decays: Decay, rows: slice, options: Options) -> None:
    """Add a day's decay constants."""
    take(side, "equalising", decays.unit[rows], np.log(decays.tau_s[rows]), _warm(decays.outdoor_c[rows]), options)


def shift(channel: Channel, name: str, units: Ints, window: Window) -> tuple[Floats, Floats]:
    """Return how far a channel now stands from its baseline and the standard deviation of that; NaN where unknown."""
    stream, rows = channel.stream, _rows(channel, units)
    n, m, w = baseline.window(stream, window)
    base, ridge = stream.base_n, stream.prior.ridge
    learned = (stream.mean, base.diagonal, base.cosines, ridge.packed, ridge.least, stream.base_blocks)
    spread = np.array([WANDER[name], SEASON[name], BEND[name]]) ** 2
    return _shift(rows, n.diagonal, n.cosines, m, w, *learned, spread)


@numba.njit(cache=True)
def _shift(
    rows: Ints,
    diagonal: Singles,
    cosines: NDArray[np.int16],
    m: Singles,
    w: Singles,
    mean: Singles,
    base_diagonal: Singles,
    base_cosines: NDArray[np.int16],
    more: Floats,
    least: Floats,
    blocks: NDArray[np.int16],
    spread: Floats,
) -> tuple[Floats, Floats]:
    value, sd = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    p = m.shape[1]
    level, factor, z = np.empty(p), np.empty((p, p)), np.empty(p)
    for k in range(len(rows)):
        u = rows[k]
        if u >= 0 and diagonal[u, 0] > 0 and blocks[u] > 0:
            compact.column_of(diagonal[u], cosines[u], 0, level)
            own, excess = level[0], float(m[u, 0])
            for a in range(p):
                excess -= level[a] * mean[u, a]
            compact.factor(base_diagonal[u], base_cosines[u], more, least, factor, z)
            known = compact.square(factor, level, z)
            value[k] = excess / own
            wander, season, bend = spread
            # The outdoor temperature is the second condition of all.
            untold = season if diagonal[u, 1] <= 0 else bend * (level[1] / own) ** 4
            sd[k] = np.sqrt(w[u, 1] / w[u, 0] / own + known / own**2 + wander + untold)
    return value, sd
