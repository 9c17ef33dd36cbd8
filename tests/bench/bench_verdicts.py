"""Verdicts of a fleet for every day: time a start, against loops over units of general libraries in the same run."""

from __future__ import annotations

import dataclasses
import time
import warnings
from collections.abc import Callable, Iterable
from datetime import timedelta

import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray
from river import drift as detectors
from river import linear_model, preprocessing

from analytics import ahead, baseline, core, features, hazard, noise, replay
from analytics.state import State
from analytics.tables import RAN, Fleet, Tables, fleet
from analytics.verdict import encode
from simulator.fleet import simulate

UNITS, FEW_UNITS, DAYS = 3_840, 960, 60
PEER_UNITS, PEER_WINDOW_D = 4, 28
TIMES = 3
"""Runs, of which the quickest counts: what else a machine does only ever adds."""
Floats = NDArray[np.float64]


def _fleet(units: int) -> Fleet:
    made = simulate(units, DAYS, 5)
    return fleet(Tables(starts=made.starts, units=made.units, events=made.events, visits=made.visits))


def _unit(whole: Fleet, unit: int) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Conditions, ln run-up and day of one unit's timed starts."""
    starts = whole.starts
    mine = (starts.unit == unit) & (starts.outcome == RAN) & (starts.measured["run_up_s"] > 0)
    field = {name: values[mine].astype(float) for name, values in starts.measured.items()}
    x = features.conditions(field["off_s"], field["outdoor_c"], field["line_v"], field["close_deg"])
    return x, np.log(field["run_up_s"]), starts.day[mine]


def _each_date(whole: Fleet, fit: Callable[[Floats, Floats], object]) -> float:
    """Microseconds a start of a fit a unit a date on its last 28 days, conditions that do not vary left out."""
    spent, count = 0.0, 0
    first, last = int(whole.starts.day[0]), int(whole.starts.day[-1])
    for unit in range(PEER_UNITS):
        x, y, day = _unit(whole, unit)
        count += len(y)
        began = time.process_time()
        for date in range(first + 7, last + 1):
            rows = (day >= date - PEER_WINDOW_D) & (day < date)
            part = x[rows][:, [0, *(np.flatnonzero(np.ptp(x[rows], axis=0) > 0) if rows.any() else [])]]
            if len(part) > 5 * part.shape[1]:
                fit(y[rows], part)
        spent += time.process_time() - began
    return spent / count * 1e6


def _online(whole: Fleet) -> float:
    """Microseconds a start of river's online regression and drift detector, a model a unit."""
    spent, count = 0.0, 0
    for unit in range(PEER_UNITS):
        x, y, _ = _unit(whole, unit)
        rows = [dict(zip(features.NAMES[1:], row, strict=True)) for row in x[:, 1:].tolist()]
        model = preprocessing.StandardScaler() | linear_model.LinearRegression()
        detector = detectors.PageHinkley()
        count += len(y)
        began = time.process_time()
        for row, value in zip(rows, y.tolist(), strict=True):
            detector.update(value - model.predict_one(row))
            model.learn_one(row, value)
        spent += time.process_time() - began
    return spent / count * 1e6


def _bytes(thing: object) -> int:
    """Bytes of all arrays within but those of the fleet: its priors, and the samples of bounded size for its laws."""
    if isinstance(thing, np.ndarray):
        return thing.nbytes
    parts: Iterable[object] = ()
    if isinstance(thing, ahead.Record):
        parts = (thing.waiting, thing.lockouts)
    elif isinstance(thing, (list, tuple)):
        parts = thing
    elif isinstance(thing, dict):
        parts = thing.values()
    elif dataclasses.is_dataclass(thing) and not isinstance(thing, (baseline.Prior, noise.Noise, hazard.Hazard)):
        parts = (getattr(thing, f.name) for f in dataclasses.fields(thing))
    return sum(_bytes(part) for part in parts)


def _run(whole: Fleet) -> tuple[float, State]:
    dates = replay.dates(whole, None, None, timedelta(days=1))
    began = time.process_time()
    for _, state in core.run(whole, dates):
        last = state
    return (time.process_time() - began) / len(whole.starts.at) * 1e6, last


def main() -> None:
    """Print the ratios, and what a start costs with and without writing a verdict line a unit a day."""
    few = _fleet(FEW_UNITS)
    _run(few)  # compiles what is not compiled yet
    few_us = min(_run(few)[0] for _ in range(TIMES))
    dates = replay.dates(few, None, None, timedelta(days=1))
    began = time.process_time()
    lines = sum(len([encode(one.verdict) for one in part]) for _, part in replay.ranked(few, dates))
    all_us = (time.process_time() - began) / len(few.starts.at) * 1e6
    whole = _fleet(UNITS)
    starts = len(whole.starts.at)
    timed = [_run(whole) for _ in range(TIMES)]
    core_us, state = min(us for us, _ in timed), timed[-1][1]
    with warnings.catch_warnings():
        # A window of few distinct temperatures is singular now and then; that the peer warns of it costs it nothing.
        warnings.simplefilter("ignore")
        robust_us = _each_date(whole, lambda y, x: sm.RLM(y, x).fit().conf_int())
        plain_us = _each_date(whole, lambda y, x: sm.OLS(y, x).fit().conf_int())
    online_us = _online(whole)
    print(
        f"verdicts: {core_us:.2f} us a start from arrays to tested state ({starts:,} starts of {UNITS:,} units in "
        f"{DAYS} days, one core, best of {TIMES} runs); {_bytes(state) / UNITS:,.0f} bytes of state a unit. Of "
        f"{FEW_UNITS} units, where what a day costs in any case counts for more: {few_us:.2f} us, and {all_us:.1f} us "
        f"with {lines:,} JSON lines. Unit by unit, anew each date on {PEER_WINDOW_D} days: statsmodels' robust "
        f"regression {robust_us:.0f} us a start, ratio {robust_us / core_us:.0f}; its least squares {plain_us:.0f} us, "
        f"ratio {plain_us / core_us:.0f}. River's online regression with a drift detector: {online_us:.0f} us a start, "
        f"ratio {online_us / core_us:.0f}"
    )


if __name__ == "__main__":
    main()
