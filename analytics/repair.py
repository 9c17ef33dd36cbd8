r"""Did the visit help? The change of run-up time at equal conditions, and locked starts after it against expectation.

Both windows share the unit's condition coefficients :math:`c \sim N(\mu, V)` and have shifts of their own,
:math:`f_b, f_a \sim N(0, W)`; the change is :math:`\bar x^T (f_a - f_b)` at the conditions met before the visit, so
that milder weather after it is not taken for success. Locked starts are never compared before and after: a visit is
made when they are many, and their number falls whether or not it helped.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from analytics import baseline, compact, drift, features, spd
from analytics.baseline import DaySums, Stream
from analytics.compact import Halves, Singles, Sums
from analytics.options import DAY_US, Options
from analytics.tables import Ints
from analytics.verdict import RepairName

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

AFTER_D = 28
"""Days after a visit that count towards it."""
MIN_DAYS, MIN_STARTS = 14, 30
MIN_FIGURE_STARTS = 20
SHIFT_SD = np.array([0.5, 0.2, 0.3, 0.4, 0.15, 0.1, 0.4, 0.05, 0.03, 0.03])
"""What a fault or its repair may do to each coefficient."""
HELPED_BELOW, HELPED_SURE = -0.03, 1.2815515655446004
"""A change that the customer would not notice is not called help, nor one of which it is not nine tenths sure that it
is larger: the 90th percentile of the standard normal."""
SHOWN_ABOVE = 0.07
"""Excess of ln run-up before a visit from which a full repair can be told: what only some rare starts showed hardly
moves their mean, and that it has not moved is then no sign of a failed repair."""
MARGIN = 0.02
VERDICTS: tuple[RepairName, ...] = get_args(RepairName)


@dataclass(frozen=True)
class Change:
    """What a visit changed in ln run-up (None where it cannot be told), its standard deviation, and the verdict."""

    log_change: float | None
    log_sd: float
    verdict: RepairName


@dataclass
class Open:
    """What the visits that still gather starts have, one row a visit: sums before and after, the baseline before.

    ``sure`` is the inverse of the covariance of its coefficients; the sums are of what is off that baseline.
    """

    unit: Ints
    before: Sums
    mean: Singles
    sure: Sums
    after: Sums


@dataclass
class After:
    """The last visit of each unit: instant (-1 none), whether it had a baseline then, starts since, and the change.

    Its sums stand in ``open`` while it gathers starts; what it changed is worked out for good when it ends, NaN where
    it cannot be told. ``told`` are changes worked out meanwhile.
    """

    at: Ints
    known: Bools
    starts: NDArray[np.int32]
    locked: Halves
    expected: Singles
    log_change: Halves
    log_sd: Halves
    verdict: NDArray[np.int8]
    open: Open
    told: dict[int, tuple[tuple[int, int, bool], Change]]

    @property
    def row(self) -> Ints:
        """Where the sums of each unit stand in ``open``, (units,), -1 where they do not."""
        out = np.full(len(self.at), -1, dtype=np.int64)
        out[self.open.unit] = np.arange(len(self.open.unit))
        return out


def begin(units: int) -> After:
    """Return the state before any visit."""
    return After(
        at=np.full(units, -1, dtype=np.int64),
        known=np.zeros(units, dtype=bool),
        starts=np.zeros(units, dtype=np.int32),
        locked=np.zeros(units, dtype=np.float16),
        expected=np.zeros(units, dtype=np.float32),
        log_change=np.full(units, np.nan, dtype=np.float16),
        log_sd=np.zeros(units, dtype=np.float16),
        verdict=np.zeros(units, dtype=np.int8),
        open=_rows(np.zeros(0, dtype=np.int64)),
        told={},
    )


def _rows(units: Ints) -> Open:
    p = features.WIDTH
    before, sure, after = (compact.zeros(len(units), p, quantities) for quantities in (1, 0, 1))
    return Open(units, before, np.zeros((len(units), p), dtype=np.float32), sure, after)


def _some(sums: Open, rows: Ints) -> Open:
    """Return a copy of some of the rows."""
    return Open(*(compact.some(getattr(sums, f.name), rows) for f in fields(Open)))


def part(state: After, units: Ints) -> After:
    """Return a copy of what is known of the visits of some units."""
    own = {f.name: getattr(state, f.name)[units] for f in fields(After) if f.name not in ("open", "told")}
    out = After(**own, open=_rows(np.zeros(0, dtype=np.int64)), told={})
    row = state.row[units]
    rows = np.flatnonzero(row >= 0)
    out.open = _some(state.open, row[rows])
    out.open.unit = rows
    return out


def goes_on(state: After, units: Ints, usable: Bools) -> Bools:
    """Return of which units a visit now goes on with the last one: nothing could be told of that yet."""
    return (state.row[units] >= 0) & ((state.starts[units] < MIN_FIGURE_STARTS) | ~usable[units])


def visit(state: After, stream: Stream, units: Ints, at: Ints, usable: Bools, options: Options) -> None:
    """Keep what was known of units at the instant of a visit, before their recent sums are dropped.

    A visit after so few starts that nothing could be told of the last one is judged by what was before that; one that
    finds the unit learning anew after the last is judged by the baseline from before it.
    """
    few = (state.row[units] >= 0) & (state.starts[units] < MIN_FIGURE_STARTS)
    learned = ~goes_on(state, units, usable)
    new = units[state.row[units] < 0]
    more = _rows(new)
    state.open = Open(*(compact.joined(getattr(state.open, f.name), getattr(more, f.name)) for f in fields(Open)))
    sums, row = state.open, state.row[units]
    # The window that forgets soon: what was before the fault began must not count as the state that was found.
    found = units[~few]
    decay = baseline.decay(stream, "recent", found, options)[:, None]
    n, off = compact.loose(stream.recent, found) / decay, compact.right(stream.recent, found) / decay
    sums.mean[row[learned]] = stream.mean[units[learned]]
    compact.put(sums.sure, row[learned], baseline.precision(stream, units[learned]))
    compact.put(sums.before, row[~few], n, baseline.off_expected(n, off, sums.mean[row[~few]] - stream.mean[found]))
    state.known[units[learned]] = usable[units[learned]]
    state.at[units] = at
    compact.clear(sums.after, row)
    state.starts[units], state.locked[units], state.expected[units] = 0, 0.0, 0.0


def open_units(state: After, day_end_us: int) -> Bools:
    """Return the units whose visit still gathers starts."""
    return (state.at >= 0) & (day_end_us - state.at <= AFTER_D * DAY_US)


def before(state: After, mean: Singles, units: Bools) -> Singles:
    """Return coefficients (units, p) in which those of some units with an open visit are those from before it."""
    out = mean
    if units.any():
        out = mean.copy()
        out[units] = state.open.mean[state.row[units]]
    return out


def take(state: After, sums: DaySums, gathering: Bools) -> None:
    """Add a day's sums to the visits that still gather."""
    pick = gathering[sums.unit]
    u = sums.unit[pick]
    row = state.row[u]
    n = sums.n[pick]
    compact.add(state.open.after, row, n, baseline.off_expected(n, sums.m[pick], state.open.mean[row]))
    state.starts[u] += sums.starts[pick]


def close(state: After, gathering: Bools, options: Options) -> None:
    """Say for good what the visits have changed that gather no more, and drop their sums."""
    ended = ~gathering[state.open.unit]
    if not ended.any():
        return
    units = state.open.unit[ended]
    last = changes(state, units, int(state.at[units].max()) + AFTER_D * DAY_US, options)
    state.log_change[units] = [np.nan if one.log_change is None else one.log_change for one in last]
    state.log_sd[units] = [one.log_sd for one in last]
    state.verdict[units] = [VERDICTS.index(one.verdict) for one in last]
    for u in units.tolist():
        state.told.pop(u, None)
    state.open = _some(state.open, np.flatnonzero(~ended))


def changes(state: After, units: Ints, as_of: int, options: Options) -> list[Change]:
    """Return what the last visits of units have changed by an instant; worked out anew only where something came in."""
    ripe = as_of - state.at[units] >= MIN_DAYS * DAY_US
    each = zip(state.at[units].tolist(), state.starts[units].tolist(), ripe.tolist(), strict=True)
    keys = dict(zip(units.tolist(), each, strict=True))
    gathering = set(state.open.unit.tolist())
    anew = [u for u, key in keys.items() if u in gathering and (u not in state.told or state.told[u][0] != key)]
    if anew:
        made = _changes(state, np.array(anew), np.array([keys[u][2] for u in anew]), options)
        state.told.update({u: (keys[u], change) for u, change in zip(anew, made, strict=True)})
    return [_said(state, u) for u in units.tolist()]


def _said(state: After, unit: int) -> Change:
    if unit in state.told:
        return state.told[unit][1]
    log_change = float(state.log_change[unit])
    told = None if np.isnan(log_change) else log_change
    return Change(told, float(state.log_sd[unit]), VERDICTS[state.verdict[unit]])


def _changes(state: After, units: Ints, ripe: Bools, options: Options) -> list[Change]:
    row = state.row[units]
    met = state.open.before.diagonal[row, 0] > 0
    enough = state.known[units] & (state.starts[units] >= MIN_FIGURE_STARTS) & met
    out = [Change(None, 0.0, "too_early")] * len(units)
    for k, effect, sd in zip(np.flatnonzero(enough).tolist(), *_sizes(state.open, row[enough], options), strict=True):
        if not ripe[k] or state.starts[units[k]] < MIN_STARTS:
            verdict: RepairName = "too_early"
        elif effect + HELPED_SURE * sd < HELPED_BELOW:
            verdict = "helped"
        else:
            verdict = "worse" if effect - drift.Z90 * sd > 0 and effect > MARGIN else "no_change"
        out[k] = Change(effect, sd, verdict)
    return out


def _sizes(sums: Open, row: Ints, options: Options) -> tuple[list[float], list[float]]:
    """Return the change of ln run-up and its standard deviation for some rows."""
    p, k = features.WIDTH, len(row)
    before, after, sure = (spd.full(compact.loose(kept, row)) for kept in (sums.before, sums.after, sums.sure))
    cov = np.linalg.inv(sure)
    cov[:, 0, 0] += options.wander_sd**2
    precision = np.zeros((k, 3 * p, 3 * p))
    common, first, second = slice(p), slice(p, 2 * p), slice(2 * p, None)
    precision[:, common, common] = np.linalg.inv(cov) + before + after
    precision[:, common, first], precision[:, first, common] = before, before
    precision[:, common, second], precision[:, second, common] = after, after
    precision[:, first, first], precision[:, second, second] = before, after
    precision[:, np.arange(p, 3 * p), np.arange(p, 3 * p)] += np.tile(SHIFT_SD**-2.0, 2)
    y_before, y_after = compact.right(sums.before, row), compact.right(sums.after, row)
    x = before[:, 0] / before[:, :1, 0]
    direction = np.concatenate([np.zeros((k, p)), -x, x], axis=1)
    along = np.linalg.solve(precision, direction[:, :, None])[:, :, 0]
    effect = np.sum(along * np.concatenate([y_before + y_after, y_before, y_after], axis=1), axis=1)
    sd = np.sqrt(np.sum(along * direction, axis=1) + 2.0 * options.wander_sd**2)
    return effect.tolist(), sd.tolist()
