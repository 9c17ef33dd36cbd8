"""The healthy twin of each simulated start: what the same unit, sound, would have taken under the same conditions.

Made for judging detectors: a method that knows the true condition model can do no better than compare a start with its
twin. Of the conditions, what the unit's logger reports is taken as known; a voltage or an angle that it does not report
is averaged over. Scatter of the load is averaged over as well; what wanders from day to day is not in the twin.

A unit's run-up time depends on the still load, the voltage, the point of closing and, with a thermistor, its
temperature: a table of these is integrated for each unit with each start gear that it had, averaged along the load over
its scatter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.interpolate import RegularGridInterpolator

from simulator import compressor, faults, getaway, outcomes, service
from simulator.compressor import Attempt, Compressors
from simulator.faults import DAY_S, Faults, State
from simulator.happened import Happened, Noise
from simulator.logger import HALF_CYCLE_S
from simulator.machine import reference_3_ton
from simulator.nameplate import Units
from simulator.outcomes import Conditions
from simulator.rows import sequence, stamps
from simulator.starts import tries_told
from simulator.supply import X_OVER_R
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]

LOAD_SD = float(np.hypot(outcomes.CALL_SPREAD, outcomes.TRY_SPREAD))
STEP = LOAD_SD / 2
"""Spacing of the table along the logarithm of the load: half its scatter, so that sums stand for integrals."""
REACH = 8
ANGLES_DEG = np.arange(0.0, 180.0, 15.0)
ZERO_CROSSING_DEG = 4.0
VOLT_NODES = 4
START_SD = 0.025
"""Scatter of ln run-up that has nothing to do with the load (`simulator.happened`)."""
NODES = np.array([-2.02, -0.9586, 0.0, 0.9586, 2.02]) * np.sqrt(2) * LOAD_SD
WEIGHTS = np.array([0.01995, 0.39362, 0.94531, 0.39362, 0.01995]) / np.sqrt(np.pi)
"""Gauss-Hermite nodes and weights of order five: Abramowitz & Stegun, table 25.10."""
THIN = 6
"""One start in so many of a faulty unit has its true excess worked out."""
BEFORE_D, HALF_LIFE_D, AFTER_D = 21.0, 7.0, 14.0
VISIT_STARTS = 40


@dataclass(frozen=True)
class Twins:
    """One row a start told of, by unit and ``seq``, and one row a visit.

    ``starts``: ``twin_log`` mean and ``twin_var`` variance of ln run-up [s] of the sound unit, NaN for retries;
    ``sound_p`` and ``true_p`` the chance that the first try locks, sound and as the unit is; ``excess`` mean ln run-up
    of the unit as it is over that of the sound one, 0 before the onset and NaN where it was not worked out.
    ``visits``: ``log_change`` mean ln run-up a fortnight after over that before, at the conditions before the visit.
    """

    starts: pd.DataFrame
    visits: pd.DataFrame


def twins(units: Units, wrong: Faults, happened: Happened, noise: Noise, first_day: datetime, count: int) -> Twins:
    """Return the twins of the first ``count`` units of a batch; arguments as `simulator.fleet.batches` shows them."""
    row, retry, *_ = tries_told(happened, noise)
    plan = happened.plan
    fixed_s, kit_s = service.times(happened.done, wrong)
    actual = _calm(units, happened.met)
    well = _sound(units, wrong, happened, kit_s)
    here = plan.unit < count
    calls = np.flatnonzero(here & (np.bincount(row, minlength=len(plan.unit)) > 0))
    mean, variance = np.full(len(here), np.nan), np.full(len(here), np.nan)
    mean[calls], variance[calls] = _expected(units, happened.motors, well, noise.close_deg[0], plan, kit_s, calls)
    sound_p, true_p = np.full(len(here), np.nan), np.full(len(here), np.nan)
    sound_p[calls] = _first_odds(units, outcomes.select(well, calls), noise.close_deg[0, calls])
    true_p[calls] = sound_p[calls]
    excess = np.where(here, 0.0, np.nan)
    onset = wrong.onset_s[plan.unit]
    # A valve that has grown slow stays so when a kit is fitted: the unit is not as the sound one even then.
    ill = calls[plan.at_s[calls] >= onset[calls]]
    true_p[ill] = _first_odds(units, outcomes.select(actual, ill), noise.close_deg[0, ill])
    excess[ill] = np.nan
    some = ill[::THIN]
    excess[some] = _between(happened.motors, actual, well, noise.close_deg[0], some, some)
    kept = here[row]
    first = retry[kept] == 0
    shown = row[kept]
    starts = pd.DataFrame(
        {
            "unit": units.unit[plan.unit[shown]],
            "seq": sequence(plan.unit[row])[kept],
            **{
                name: np.where(first, values[shown], np.nan).astype(np.float32)
                for name, values in (
                    ("twin_log", mean),
                    ("twin_var", variance),
                    ("sound_p", sound_p),
                    ("true_p", true_p),
                    ("excess", excess),
                )
            },
        }
    )
    return Twins(starts, _visits(units, wrong, happened, noise, actual, (fixed_s, kit_s), first_day, count))


def _calm(units: Units, met: Conditions) -> Conditions:
    """Return the conditions without what wanders and scatters in inertia."""
    return Conditions(**(vars(met) | {"inertia": units.level[met.unit]}))


def _sound(units: Units, wrong: Faults, happened: Happened, kit_s: Array) -> Conditions:
    """Return the conditions that the sound unit would have met, with the start kit that it got."""
    never = np.full(len(kit_s), np.inf)
    none = Faults(**(vars(wrong) | {"cause": np.zeros_like(wrong.cause), "onset_s": never}))
    return _as(units, happened, faults.state(units, none, happened.plan.unit, happened.plan.at_s, never, kit_s))


def _as(units: Units, happened: Happened, state: State) -> Conditions:
    """Return the conditions of all calls with the units in another state, without wander."""
    met, plan = happened.met, happened.plan
    calm = np.ones(len(plan.unit))
    return outcomes.conditions(
        units, happened.motors, plan, state, met.off_s, met.outdoor_c, met.line_v, calm, 1.0 - met.hang
    )


def _first_odds(units: Units, met: Conditions, close_deg: Array) -> Array:
    """Return the chance that a first try locks: at its angle where the logger tells it, else over all angles."""
    told = units.fitted["close_deg"][met.unit]
    crossing = units.zero_crossing[met.unit]
    angles = [np.where(told, close_deg, np.where(crossing, ZERO_CROSSING_DEG, deg)) for deg in ANGLES_DEG[::2]]
    away = outcomes.getaway_nm(met)

    def odds(some: Conditions, away_nm: Array, tau_s: Array, rows: Index) -> Array:
        ratio = outcomes.load_ratio(some, away_nm, 0, tau_s)
        found: Array = np.mean([_first(ratio / getaway.closing_factor(deg[rows])) for deg in angles], axis=0)
        return found

    chance = odds(met, away, met.free_s, np.arange(len(met.unit)))
    rows = np.flatnonzero(met.hang > 0)
    if rows.size:
        some = outcomes.select(met, rows)
        hung = odds(some, away[rows], some.free_s * outcomes.HANG_TIMES, rows)
        chance[rows] += some.hang * (hung - chance[rows])
    return np.asarray(np.where(met.state.welded, np.nan, chance))


def _first(ratio: Array) -> Array:
    return outcomes.odds(np.stack([ratio] * outcomes.TRIES))[0]


def _attempt(met: Conditions, rows: Index, close_deg: Array, factor: Array | float) -> Attempt:
    here = outcomes.select(met, rows)
    return outcomes.attempt(here, np.zeros(len(rows), np.intp), np.full(len(rows), factor), close_deg[rows])


def _log_run_up(motors: Compressors, met: Conditions, close_deg: Array, rows: Index) -> Array:
    """Return mean ln run-up over the scatter of the load, of the tries that come up; by integration."""
    total, weight = np.zeros(len(rows)), np.zeros(len(rows))
    for node, share in zip(NODES, WEIGHTS, strict=True):
        up = compressor.integrate(motors, _attempt(met, rows, close_deg, float(np.exp(node)))).run_up_s
        came = np.isfinite(up)
        total += np.where(came, np.log(np.where(came, up, 1.0)), 0.0) * share
        weight += share * came
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / weight)


def _between(motors: Compressors, now: Conditions, then: Conditions, close_deg: Array, a: Index, b: Index) -> Array:
    return _log_run_up(motors, now, close_deg, a) - _log_run_up(motors, then, close_deg, b)


def _still_load(motors: Compressors, met: Conditions) -> Array:
    """Return friction and pressure as a torque of each unit's own machine [N m]."""
    reference = reference_3_ton()
    share = np.asarray(motors.machine.friction_nm)[met.unit] / float(reference.friction_nm)
    per_kpa = np.asarray(motors.machine.torque_per_kpa_nm)[met.unit]
    return np.asarray(
        outcomes.friction_nm(met, met.off_s) * share + per_kpa * outcomes.dp_kpa(met, met.off_s, met.tau_s)
    )


def _expected(
    units: Units, motors: Compressors, met: Conditions, close_deg: Array, plan: Schedule, kit_s: Array, calls: Index
) -> tuple[Array, Array]:
    """Return mean and variance of ln run-up of first tries, from a table for each unit and start gear."""
    load = np.log(_still_load(motors, met))
    ptc_c = compressor.ptc_c(met.outdoor_c, met.off_s)
    mean, variance = np.empty(len(calls)), np.empty(len(calls))
    for u, after in product(np.unique(plan.unit[calls]).tolist(), (False, True)):
        mine = np.flatnonzero((plan.unit[calls] == u) & ((plan.at_s[calls] >= kit_s[u]) == after))
        if not mine.size:
            continue
        rows = calls[mine]
        volts = met.line_v[rows]
        if not units.fitted["line_v"][u]:
            volts = np.full(len(rows), float(np.mean(volts)))
        fixed_deg = ZERO_CROSSING_DEG if units.zero_crossing[u] else None
        told = bool(units.fitted["close_deg"][u])
        table = _table(motors, outcomes.select(met, rows[:1]), load[rows], met.line_v[rows], ptc_c[rows])
        deg = close_deg[rows] if told else np.full(len(rows), np.nan if fixed_deg is None else fixed_deg)
        mean[mine], spread = _at(table, load[rows], volts, deg, ptc_c[rows])
        # Run-up is told in whole half cycles: scatter is never less than that of rounding to one.
        rounding = (HALF_CYCLE_S / np.exp(mean[mine])) ** 2 / 12
        variance[mine] = np.maximum(spread, rounding) + START_SD**2
        if not units.fitted["line_v"][u]:
            # What the voltage does and nobody sees is scatter to whoever compares.
            really = _at(table, load[rows], met.line_v[rows], deg, ptc_c[rows])[0]
            variance[mine] = variance[mine] + np.var(really - mean[mine])
    return mean, variance


@dataclass(frozen=True)
class _Table:
    axes: tuple[Array, ...]
    figures: Array
    any_angle: Array


def _table(motors: Compressors, one: Conditions, load: Array, line_v: Array, ptc_c: Array) -> _Table:
    """Integrate a unit with one start gear over load, voltage, angle and thermistor; average along the load."""
    first, last = float(load.min()) - (REACH + 0.1) * STEP, float(load.max()) + (REACH + 1.1) * STEP
    loads = np.asarray(first + STEP * np.arange(int((last - first) / STEP) + 1), np.float64)
    volts: Array = np.linspace(float(line_v.min()) - 0.1, float(line_v.max()) + 0.1, VOLT_NODES)
    ptc: Array = np.linspace(float(ptc_c.min()) - 0.1, float(ptc_c.max()) + 0.1, 3 if one.state.ptc_ohm[0] > 0 else 1)
    shape = (len(loads), len(volts), len(ANGLES_DEG), len(ptc))
    at = [mesh.ravel() for mesh in np.meshgrid(loads, volts, ANGLES_DEG, ptc, indexing="ij")]
    count = len(at[0])
    unit = np.repeat(one.unit, count)
    share = float(np.asarray(motors.machine.friction_nm)[one.unit[0]] / float(reference_3_ton().friction_nm))

    def same(values: Array) -> Array:
        return np.repeat(values, count)

    up = compressor.integrate(
        motors,
        Attempt(
            unit=unit,
            line_v=at[1],
            source_ohm=same(one.state.source_ohm),
            source_x_ohm=X_OVER_R * same(one.state.source_ohm),
            dp_kpa=np.zeros(count),
            friction_nm=np.exp(at[0]) / share,
            load_factor=np.ones(count),
            inertia_factor=same(one.inertia),
            close_deg=at[2],
            cap_fraction=same(one.state.cap_fraction),
            kit=same(one.state.kit),
            welded=np.zeros(count, bool),
            ptc_ohm=same(one.state.ptc_ohm),
            ptc_c=at[3],
        ),
    ).run_up_s.reshape(shape)
    came = np.isfinite(up)
    log = np.where(came, np.log(np.where(came, up, 1.0)), 0.0)
    offsets = STEP * np.arange(-REACH, REACH + 1)
    weights = np.exp(-0.5 * (offsets / LOAD_SD) ** 2)
    inner = len(loads) - 2 * REACH
    sums = [
        sum(w * part[k : k + inner] for k, w in enumerate(weights / weights.sum()))
        for part in (came.astype(float), log, log**2)
    ]
    sums_of = np.stack([np.asarray(total) for total in sums], axis=-1)
    axes = (loads[REACH : REACH + inner], volts, np.append(ANGLES_DEG, 180.0), ptc)
    # The wave comes round again after half a turn.
    figures = _moments(np.concatenate([sums_of, sums_of[:, :, :1]], axis=2))
    any_angle = _moments(sums_of.mean(axis=2, keepdims=True))
    return _Table(axes, figures, np.repeat(any_angle, len(axes[2]), axis=2))


def _moments(sums: Array) -> Array:
    """Return mean and variance from count, sum and sum of squares, along the last axis."""
    count = np.maximum(sums[..., 0], 1e-9)
    mean = sums[..., 1] / count
    return np.stack([mean, np.maximum(sums[..., 2] / count - mean**2, 0.0)], axis=-1)


def _at(table: _Table, load: Array, volts: Array, deg: Array, ptc_c: Array) -> tuple[Array, Array]:
    """Return mean and variance of ln run-up over the load's scatter; a NaN angle stands for all of them."""
    known = np.isfinite(deg)
    found = np.empty((len(load), 2))
    for rows, values in ((known, table.figures), (~known, table.any_angle)):
        if not rows.any():
            continue
        columns, axes, flat = [load[rows], volts[rows], np.nan_to_num(deg[rows]) % 180], table.axes[:3], values
        if len(table.axes[3]) == 1:
            flat = values[:, :, :, 0]
        else:
            columns, axes = [*columns, ptc_c[rows]], table.axes
        found[rows] = RegularGridInterpolator(axes, flat)(np.column_stack(columns))
    return found[:, 0], found[:, 1]


def _visits(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    actual: Conditions,
    times: tuple[Array, Array],
    first_day: datetime,
    count: int,
) -> pd.DataFrame:
    """Return what each visit changed: the starts of the three weeks before it, met as the unit is a fortnight later."""
    told = list(_before(happened, count))
    if not told:
        return pd.DataFrame({"unit": [], "at": [], "log_change": []})
    rows = np.concatenate([r for _, _, r in told])
    changes: list[float] = []
    now = _log_run_up(happened.motors, actual, noise.close_deg[0], rows)
    # Some visits share starts, so the state afterwards is made a visit at a time.
    place = 0
    for _, at_s, mine in told:
        some = outcomes.select(actual, mine)
        state = faults.state(units, wrong, some.unit, np.full(len(mine), at_s + AFTER_D * DAY_S), *times)
        cold = np.clip((5 - some.outdoor_c) / 25, 0, 1.4)
        free = state.tau_s * (1 + outcomes.SLOW_PER_K * np.maximum(5 - some.outdoor_c, 0))
        hangs = state.hang * (outcomes.HANG_WARM + (outcomes.HANG_COLD - outcomes.HANG_WARM) * cold)
        hung = noise.valve_u[mine] < hangs
        later = Conditions(
            **(vars(some) | {"state": state, "free_s": free, "tau_s": np.where(hung, free * outcomes.HANG_TIMES, free)})
        )
        then = _log_run_up(happened.motors, later, noise.close_deg[0, mine], np.arange(len(mine)))
        change = then - now[place : place + len(mine)]
        weight = _weights(happened.plan.at_s[mine], at_s)
        good = np.isfinite(change)
        changes.append(float(np.average(change[good], weights=weight[good])) if good.any() else float("nan"))
        place += len(mine)
    return pd.DataFrame(
        {
            "unit": units.unit[np.array([u for u, _, _ in told])],
            "at": stamps(first_day, np.array([at_s for _, at_s, _ in told])),
            "log_change": changes,
        }
    )


def _before(happened: Happened, count: int) -> Iterator[tuple[int, float, Index]]:
    """Yield unit, instant [s] and some starts before it of each visit that has any."""
    plan = happened.plan
    for visit in sorted(happened.done.visits, key=lambda v: (v.unit, v.at_s)):
        if visit.unit >= count or visit.at_s >= happened.days * DAY_S:
            continue
        span = (plan.at_s < visit.at_s) & (plan.at_s >= visit.at_s - BEFORE_D * DAY_S)
        rows = np.flatnonzero((plan.unit == visit.unit) & span & ~happened.down)
        if rows.size:
            yield visit.unit, visit.at_s, rows[:: -(-len(rows) // VISIT_STARTS)]


def _weights(at_s: Array, visit_s: float) -> Array:
    """Return weights that count each day alike and halve every seven days back."""
    day = (at_s // DAY_S).astype(np.intp)
    _, place, size = np.unique(day, return_inverse=True, return_counts=True)
    return np.asarray(2.0 ** (-(visit_s - at_s) / DAY_S / HALF_LIFE_D) / size[place])
