"""Side evidence, where it is fitted: quantities whose change tells causes apart, each against its own baseline.

A channel that a unit does not have adds nothing: no value is made up for it. Channels of the same starts under the
same conditions are kept as one group, in standard deviations of single values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from analytics import baseline, compact
from analytics.baseline import Prior, Stream, Window
from analytics.compact import RIGHT_STEPS, Codes, Singles
from analytics.options import Options
from analytics.spd import Reals
from analytics.tables import RAN, Decay, Ints, Starts

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

GROUPS: Mapping[str, tuple[str, ...]] = {
    "stopped": ("sag", "line", "inrush"),
    "running": ("power_factor", "watts"),
    "resting": ("equalising",),
}
"""ln sag per ampere, ln volts before, ln inrush per volt; running power factor, ln running watts; ln decay constant."""
NAMES = tuple(name for names in GROUPS.values() for name in names)
SCATTER = {"sag": 0.20, "line": 0.02, "inrush": 0.04, "power_factor": 0.015, "watts": 0.06, "equalising": 0.15}
"""Standard deviation of single values about the unit's own regression; assumptions of what loggers can read."""
DAY_SCATTERS = {"stopped": 0.3, "running": 0.4, "resting": 0.33}
"""Standard deviation of what all values of a day share, in those of single values (assumptions)."""
WANDER = {"sag": 0.06, "line": 0.008, "inrush": 0.012, "power_factor": 0.005, "watts": 0.03, "equalising": 0.06}
SEASON = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.03, "watts": 0.08, "equalising": 0.15}
"""What the season does to a channel where no outdoor temperature is told that would account for it; pressures equalise
slower in cold, by some 1 % a kelvin (assumption)."""
BEND = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.015, "watts": 0.03, "equalising": 0.0}
"""By how much a channel may be off a straight line in the outdoor temperature 20 K from 5 °C; it grows with the square
(assumptions)."""
OTHER_VOLTS = {"sag": 0.0, "line": 0.0, "inrush": 0.0, "power_factor": 0.5, "watts": 0.5, "equalising": 0.0}
"""By how much, for each part by which volts stand elsewhere than when it was learned, a channel may be off its straight
line in them. Part of what a logger reads of the little that they vary meanwhile is its own error, which makes the line
too flat (assumptions)."""
# What channels stand about (assumption). It is taken off before anything is summed: what is near zero loses least.
CENTRE = {"sag": -1.5, "line": 0.0, "inrush": -1.0, "power_factor": 0.95, "watts": 7.8, "equalising": 4.3}
UNIT_SD = {"sag": 0.8, "line": 0.05, "inrush": 0.4, "power_factor": 0.05, "watts": 0.5, "equalising": 0.7}
VOLTS, TENTHS = 5, 10.0
"""Which condition of a running compressor its voltage is, as so many times its logarithm over the reference."""
STEP = 2.0**-9
"""Of coefficients, in standard deviations of single values."""
READ = ("line_v", "line_min_v", "peak_a", "run_w", "run_pf", "outdoor_c", "cooling", "stage")
"""What of a start they are made from."""
LEAP_SD = 4.0
"""How far a channel may have moved while nothing recent is known of it, as after a visit, in scatters of values."""
OTHER_SD = 6.0
"""How far the high stage may lie from the low one, and cooling from heating, before data, in scatters of values."""
COOLING_FROM_C = 18.0
"""Outdoor temperature from which a start whose mode is not told counts as cooling (common practice, no source)."""


def _prior(name: str) -> Prior:
    # The running compressor's depend on voltage and on the way the cycle runs too.
    slopes = [3.0, OTHER_SD, OTHER_SD, 3.0, 3.0] if name in GROUPS["running"] else [3.0]
    level = UNIT_SD[name] / SCATTER[name]
    return baseline.prior_before_data(
        np.zeros(1 + len(slopes)), np.array([2.0 * level, *slopes]), np.array([level, *slopes]), 1
    )


def _begin(group: str, rows: int) -> Stream:
    priors = (_prior(name) for name in GROUPS[group])
    stream = baseline.begin(np.zeros(rows, dtype=np.int64), *priors, step=STEP)
    stream.told[:] = False
    return stream


@dataclass
class Group:
    """Channels that are told together, with a row of the stream for each unit that has told one of them.

    ``size`` is how many units there are, and ``unit`` (rows,) which of them each row is.
    """

    size: int
    unit: NDArray[np.int32]
    stream: Stream

    @property
    def row(self) -> Ints:
        """Which each unit's row is, (size,), -1 where it has none."""
        out = np.full(self.size, -1, dtype=np.int64)
        out[self.unit] = np.arange(len(self.unit))
        return out


def begin(units: int) -> dict[str, Group]:
    """Return each group before any unit has told it."""
    return {group: Group(units, np.zeros(0, dtype=np.int32), _begin(group, 0)) for group in GROUPS}


def part(group: Group, units: Ints) -> Group:
    """Return a copy of some units' part of a group."""
    rows = group.row[units]
    some = np.flatnonzero(rows >= 0)
    return Group(len(units), some.astype(np.int32), baseline.part(group.stream, rows[some]))


def _join(side: Mapping[str, Group], name: str, unit: Ints, told: Bools) -> None:
    """Give units a row that have told a group for the first time, and note what they have told, (starts, q).

    A unit that comes to tell another channel of a group begins that group anew, since its sums stand for all.
    """
    group = side[name]
    new = np.unique(unit[told.any(axis=1) & (group.row[unit] < 0)])
    if len(new):
        group.unit = np.concatenate([group.unit, new.astype(np.int32)])
        fresh = _begin(name, len(new))
        fresh.priors = group.stream.priors
        baseline.restart(fresh, np.arange(len(new)))
        group.stream = baseline.joined(group.stream, fresh)
    row, had = group.row[unit], group.stream.told.copy()
    for k in range(told.shape[1]):
        group.stream.told[row[told[:, k]], k] = True
    baseline.restart(group.stream, np.flatnonzero(np.any(group.stream.told & ~had, axis=1) & had.any(axis=1)))


@numba.njit(cache=True)
def _news(row: Ints, value: Floats, told: Bools) -> tuple[bool, bool]:
    """Return whether anything is told at all, and whether any of it by a unit that never told it."""
    something = False
    for i in range(len(row)):
        for k in range(value.shape[1]):
            if np.isfinite(value[i, k]):
                something = True
                if row[i] < 0 or not told[row[i], k]:
                    return True, True
    return something, False


def values(
    starts: Starts, rows: Ints | slice, used: Mapping[str, Reals], alike: Bools, reference_v: Floats
) -> dict[str, tuple[Floats, Floats]]:
    """Return for each group of starts their values (n, q), NaN where not fitted, and conditions (n, p).

    ``used`` are the conditions that may be used of them, ``alike`` whether they tell all that their unit usually does,
    as from ``analytics.told.take``.
    """
    unit = starts.unit[rows]
    field = [used[name] if name in used else starts.measured[name][rows] for name in READ]
    warm, running, value = _values(starts.outcome[rows] == RAN, reference_v[unit], *field)
    value[~alike] = np.nan
    return {"stopped": (value[:, :3], warm), "running": (value[:, 3:], running)}


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
    """Return the conditions of a stopped and of a running compressor, (n, 2) and (n, 6), and the channels (n, 5)."""
    count = len(ran)
    warm, running, value = np.zeros((count, 2)), np.zeros((count, 6)), np.full((count, 5), np.nan)
    for k in range(count):
        volts, least, peak = float(line_v[k]), float(line_min_v[k]), float(peak_a[k])
        if volts - least > 0.3 and peak > 1.0:
            value[k, 0] = np.log((volts - least) / peak * 10.0)
        if volts > 0:
            value[k, 1] = np.log(volts / reference_v[k])
            running[k, VOLTS] = TENTHS * value[k, 1]
        if least > 50 and peak > 1.0:
            value[k, 2] = np.log(peak / least)
        if ran[k] and run_pf[k] > 0.2:
            value[k, 3] = run_pf[k]
        if ran[k] and run_w[k] > 50:
            value[k, 4] = np.log(float(run_w[k]))
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


def take(side: Mapping[str, Group], name: str, unit: Ints, value: Floats, x: Floats, options: Options) -> None:
    """Add a span's values of a group (n, q), which stand by unit; far outliers count as four standard deviations off.

    A start that tells one channel and not another says nothing new of the other.
    """
    group, names = side[name], GROUPS[name]
    something, new = _news(group.row[unit], value, group.stream.told)
    if not something:
        return
    if new:
        _join(side, name, unit, np.isfinite(value))
    stream, row, level_var = group.stream, group.row[unit], group.stream.level_var.astype(np.float32)
    centre, scatter = np.array([CENTRE[n] for n in names]), np.array([SCATTER[n] for n in names])
    y = _clipped(row, value, centre, scatter, x, stream.mean, level_var, stream.recent.codes)
    baseline.add(stream, baseline.day_sums(row, x, y, np.ones(1), DAY_SCATTERS[name] ** 2), options)


def learn(side: Mapping[str, Group], day: int, since_day: NDArray[np.int32], options: Options) -> None:
    """Let units learn at the end of a day what is normal for them; ``since_day`` (units,) as for the baseline."""
    for group in side.values():
        baseline.learn(group.stream, day, since_day[group.unit], options)


def restart(side: Mapping[str, Group], units: Ints) -> None:
    """Let units begin anew."""
    for group in side.values():
        rows = group.row[units]
        baseline.restart(group.stream, rows[rows >= 0])


@numba.njit(cache=True, error_model="numpy")
def _clipped(
    row: Ints,
    value: Floats,
    centre: Floats,
    scatter: Floats,
    x: Floats,
    mean: Singles,
    level_var: Singles,
    recent: Codes,
) -> Floats:
    """Return values in standard deviations, held to four of them about where their unit lately stood.

    Where a start tells another channel only, the value is what others lead to expect: those of the day, or lately.
    """
    out, (count, q) = np.full(value.shape, np.nan), value.shape
    p, begins = len(recent[4]), 0
    while begins < count:
        u, ends = row[begins], begins
        while ends < count and row[ends] == u:
            ends += 1
        if u >= 0:
            own = compact.first(recent, u)
            for k in range(q):
                shift = recent[3][u, k * p] / (RIGHT_STEPS * np.sqrt(own)) if own > 0 else 0.0
                width = 4.0 * np.sqrt(1.0 + level_var[u, k] + 1.0 / (own + LEAP_SD**-2))
                total, told, gain = 0.0, 0, 1.0 / scatter[k]
                for i in range(begins, ends):
                    expected = 0.0
                    for a in range(p):
                        expected += x[i, a] * mean[u, k * p + a]
                    off = (value[i, k] - centre[k]) * gain - expected
                    if np.isfinite(off):
                        off = min(max(off, shift - width), shift + width)
                        total, told = total + off, told + 1
                    out[i, k] = expected + off
                _fill(value, begins, ends, k, total / told if told > 0 else shift, x, mean[u, k * p : k * p + p], out)
        begins = ends
    return out


@numba.njit(cache=True)
def _fill(
    value: Floats, begins: int, ends: int, quantity: int, off: float, x: Floats, mean: Singles, out: Floats
) -> None:
    """Write what starts lead to expect of a quantity where they tell others only."""
    for i in range(begins, ends):
        if not np.isfinite(value[i, quantity]) and np.any(np.isfinite(value[i])):
            out[i, quantity] = off
            for a in range(len(mean)):
                out[i, quantity] += x[i, a] * mean[a]


def take_rests(side: Mapping[str, Group], decays: Decay, rows: slice, options: Options) -> None:
    """Add a day's decay constants."""
    value, x = np.log(decays.tau_s[rows])[:, None], _warm(decays.outdoor_c[rows])
    take(side, "resting", decays.unit[rows], value, x, options)


def shift(side: Mapping[str, Group], name: str, units: Ints, window: Window, options: Options) -> tuple[Floats, Floats]:
    """Return how far a channel now stands from its baseline and the standard deviation of that; NaN where unknown."""
    of, k = next((of, names.index(name)) for of, names in GROUPS.items() if name in names)
    stream, rows = side[of].stream, side[of].row[units]
    known = np.flatnonzero(rows >= 0)
    if not len(known):
        return np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    decay, own = np.ones(len(rows)), rows[known]
    decay[known] = baseline.decay(stream, window, own, options)
    rows[known] = np.where(stream.told[own, k] & (stream.base_blocks[own] > 0), own, -1)
    ridge = stream.priors[k].ridge
    spread = (np.array([WANDER[name], SEASON[name], BEND[name], OTHER_VOLTS[name] / TENTHS]) / SCATTER[name]) ** 2
    codes = baseline.window(stream, window).codes, stream.base.codes
    value, sd = _shift(rows, k, *codes, decay, ridge.packed, ridge.least, spread)
    return value * SCATTER[name], sd * SCATTER[name]


@numba.njit(cache=True)
def _shift(
    rows: Ints, quantity: int, lately: Codes, base: Codes, decay: Floats, more: Floats, least: Floats, spread: Floats
) -> tuple[Floats, Floats]:
    value, sd = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    order = lately[4]
    p = len(order)
    level, usual, factor, matrix, z = np.empty(p), np.empty(p), np.empty((p, p)), np.empty((p, p)), np.empty(p)
    squares = np.empty((2, p))
    for i in range(len(rows)):
        u = rows[i]
        if u >= 0 and lately[0][u, 0] > 0:
            compact.root(lately, u, squares, factor)
            compact.column_of(factor, 0, level)
            own = level[0]
            compact.root(base, u, squares, factor)
            compact.column_of(factor, 0, usual)
            compact.solved(factor, more, least, order, matrix)
            known = compact.come_to(matrix, level, order, z)
            value[i] = lately[3][u, quantity * p] / (RIGHT_STEPS * np.sqrt(own))
            wander, season, bend, volts = spread
            # The outdoor temperature is the second condition of all.
            untold = season if lately[0][u, 1] == 0 else bend * (level[1] / own) ** 4
            if p > VOLTS and usual[0] > 0:
                untold += volts * (level[VOLTS] / own - usual[VOLTS] / usual[0]) ** 2
            sd[i] = np.sqrt(decay[i] / own + known / own**2 + wander + untold)
    return value, sd
