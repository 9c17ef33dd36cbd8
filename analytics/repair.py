r"""Did the visit help? The change of run-up time at equal conditions, and locked starts after it against expectation.

Both windows share the unit's condition coefficients :math:`c \sim N(\mu, V)` and have shifts of their own,
:math:`f_b, f_a \sim N(0, W)`; the change is :math:`\bar x^T (f_a - f_b)` at the conditions met before the visit, so
that milder weather after it is not taken for success. Locked starts are never compared before and after: a visit is
made when they are many, and their number falls whether or not it helped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics import drift, features
from analytics.baseline import DaySums, Stream
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


@dataclass(frozen=True)
class Change:
    """What a visit changed in ln run-up (None where it cannot be told), its standard deviation, and the verdict."""

    log_change: float | None
    log_sd: float
    verdict: RepairName


@dataclass
class After:
    """The last visit of each unit: instant (-1 none), the sums before and after it, and the baseline of that time."""

    at: Ints
    before_n: Floats
    before_m: Floats
    mean: Floats
    cov: Floats
    after_n: Floats
    after_m: Floats
    starts: Ints
    days: Ints
    locked: Floats
    expected: Floats
    known: Bools
    told: dict[int, tuple[tuple[int, int, bool], Change]]


def begin(units: int) -> After:
    """Return the state before any visit."""
    p = features.WIDTH
    return After(
        at=np.full(units, -1, dtype=np.int64),
        before_n=np.zeros((units, p, p)),
        before_m=np.zeros((units, p)),
        mean=np.zeros((units, p)),
        cov=np.zeros((units, p, p)),
        after_n=np.zeros((units, p, p)),
        after_m=np.zeros((units, p)),
        starts=np.zeros(units, dtype=np.int64),
        days=np.zeros(units, dtype=np.int64),
        locked=np.zeros(units),
        expected=np.zeros(units),
        known=np.zeros(units, dtype=bool),
        told={},
    )


def visit(state: After, stream: Stream, units: Ints, at: Ints, usable: Bools) -> None:
    """Keep what was known of units at the instant of a visit, before their recent sums are dropped."""
    # The window that forgets soon: what was before the fault began must not count as the state that was found.
    decay = drift.ratio(stream.recent_w[units])
    state.at[units] = at
    state.before_n[units] = stream.recent_n[units] / decay[:, None, None]
    state.before_m[units] = stream.recent_m[units] / decay[:, None]
    state.mean[units] = stream.mean[units]
    state.cov[units] = stream.cov[units]
    state.known[units] = usable[units]
    for array in (state.after_n, state.after_m, state.starts, state.days, state.locked, state.expected):
        array[units] = 0


def open_units(state: After, day_end_us: int) -> Bools:
    """Return the units whose visit still gathers starts."""
    return (state.at >= 0) & (day_end_us - state.at <= AFTER_D * DAY_US)


def take(state: After, sums: DaySums, gathering: Bools) -> None:
    """Add a day's sums to the visits that still gather."""
    pick = gathering[sums.unit]
    u = sums.unit[pick]
    state.after_n[u] += sums.n[pick]
    state.after_m[u] += sums.m[pick]
    state.starts[u] += sums.starts[pick]
    state.days[u] += 1


def change(state: After, unit: int, as_of: int, options: Options) -> Change:
    """Return what the last visit of a unit has changed by an instant; worked out anew only when something came in."""
    ripe = as_of - int(state.at[unit]) >= MIN_DAYS * DAY_US
    key = (int(state.at[unit]), int(state.starts[unit]), ripe)
    kept = state.told.get(unit)
    if kept is None or kept[0] != key:
        kept = (key, _change(state, unit, ripe, options))
        state.told[unit] = kept
    return kept[1]


def _change(state: After, unit: int, ripe: bool, options: Options) -> Change:
    if not state.known[unit] or state.starts[unit] < MIN_FIGURE_STARTS or state.before_n[unit, 0, 0] <= 0:
        return Change(None, 0.0, "too_early")
    p = features.WIDTH
    before, after = state.before_n[unit], state.after_n[unit]
    zero = np.zeros((p, p))
    shift = np.diag(SHIFT_SD**-2.0)
    common = np.linalg.inv(state.cov[unit] + options.wander_sd**2 * np.diag(np.eye(p)[0]))
    precision = np.block(
        [[common + before + after, before, after], [before, before + shift, zero], [after, zero, after + shift]]
    )
    y_before = state.before_m[unit] - before @ state.mean[unit]
    y_after = state.after_m[unit] - after @ state.mean[unit]
    cov = np.linalg.inv(precision)
    best = cov @ np.concatenate([y_before + y_after, y_before, y_after])
    x = before[0] / before[0, 0]
    direction = np.concatenate([np.zeros(p), -x, x])
    effect = float(direction @ best)
    sd = float(np.sqrt(direction @ cov @ direction + 2.0 * options.wander_sd**2))
    if not ripe or state.starts[unit] < MIN_STARTS:
        return Change(effect, sd, "too_early")
    if effect + HELPED_SURE * sd < HELPED_BELOW:
        return Change(effect, sd, "helped")
    return Change(effect, sd, "worse" if effect - drift.Z90 * sd > 0 and effect > MARGIN else "no_change")
