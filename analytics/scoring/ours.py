"""The project's own verdicts on a fleet, as arrays by unit and day: what ``halfsecond replay`` would have written."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from analytics import core, report
from analytics.options import DAY_US, DEFAULT, Options
from analytics.scoring.folder import Bools, Known, Visited
from analytics.state import State
from analytics.tables import Decay, Fleet
from analytics.verdict import CAUSES, Repair, Verdict

Floats = NDArray[np.float64]

SHIPPED = 1.0
"""Scores are evidence over the shipped threshold, so that 1 is what the program alarms at."""
REPAIR_D = 21
SIDE = ("peak_a", "run_a", "run_w", "run_pf", "line_min_v", "suction_kpa", "liquid_kpa")
"""What is blanked to judge the start time alone."""


@dataclass(frozen=True)
class Alarms:
    """Evidence over its threshold, and alarms as they stand: (units, days) each."""

    drift: Floats
    locked: Floats
    alarm: Bools
    locked_alarm: Bools

    @property
    def either(self) -> Floats:
        """The larger of both."""
        return np.maximum(self.drift, self.locked)


@dataclass(frozen=True)
class Judged:
    """One visit and what was said of it three weeks later; None where nothing was."""

    visit: Visited
    said: Repair | None


@dataclass(frozen=True)
class Ours:
    """All that was said: ``usable`` whether there were figures, ``low`` and ``high`` the interval of ln drift.

    ``lockout_7d`` is NaN where nothing was said or the unit was down; ``causes`` (units, days, 6).
    """

    alarms: Alarms
    usable: Bools
    low: Floats
    high: Floats
    lockout_7d: Floats
    causes: Floats
    repairs: tuple[Judged, ...]


def alarms(whole: Fleet, first_day: int, days: int, options: Options = DEFAULT) -> Alarms:
    """Return the alarms of a fleet, without the verdicts."""
    out = _blank(whole.size, days)
    for d, (_, state) in enumerate(core.run(whole, _instants(first_day, days), options)):
        _take(out, d, state, options)
    return out


def verdicts(known: Known, options: Options = DEFAULT) -> Ours:
    """Return everything said of a fleet."""
    whole, size = known.fleet, (known.fleet.size, known.days)
    found = _blank(*size)
    usable = np.zeros(size, bool)
    low, high, lockout = (np.full(size, np.nan) for _ in range(3))
    causes = np.full((*size, len(CAUSES)), np.nan)
    wanted: dict[int, list[Visited]] = {}
    for visit in known.visits:
        wanted.setdefault(int(visit.at // DAY_US) - known.first_day + REPAIR_D, []).append(visit)
    repairs: list[Judged] = []
    index = {name: u for u, name in enumerate(whole.names)}
    for d, (instant, state) in enumerate(core.run(whole, _instants(known.first_day, known.days), options)):
        _take(found, d, state, options)
        said: dict[int, Verdict] = {}
        for one in report.verdicts(state, whole, instant):
            v, u = one.verdict, index[one.verdict.unit]
            said[u] = v
            usable[u, d] = v.lockout_7d is not None
            if v.run_up.low is not None and v.run_up.high is not None:
                low[u, d], high[u, d] = np.log1p([max(v.run_up.low, -0.99), v.run_up.high])
            if v.lockout_7d is not None and v.standing != "down":
                lockout[u, d] = v.lockout_7d
            if v.causes.none is not None:
                causes[u, d] = [getattr(v.causes, name) for name in CAUSES]
        repairs += [Judged(visit, _of(said.get(visit.unit), visit)) for visit in wanted.get(d, [])]
    return Ours(found, usable, low, high, lockout, causes, tuple(repairs))


def _of(verdict: Verdict | None, visit: Visited) -> Repair | None:
    """Return what a verdict says of a visit: nothing where it speaks of a later one."""
    if verdict is None or verdict.repair is None:
        return None
    at = datetime.fromisoformat(verdict.repair.visit).timestamp()
    return verdict.repair if abs(at - visit.at / 1e6) < 1.0 else None


def start_time_alone(whole: Fleet) -> Fleet:
    """Return a fleet whose loggers tell of a start only when, under which conditions and how long."""
    nothing = np.full(len(whole.starts.at), np.nan, dtype=np.float32)
    measured = {name: nothing if name in SIDE else values for name, values in whole.starts.measured.items()}
    empty = np.zeros(0, dtype=np.int64)
    return dataclasses.replace(
        whole,
        starts=dataclasses.replace(whole.starts, measured=measured),
        decays=Decay(empty, empty, empty, np.zeros(0), np.zeros(0)),
    )


def _instants(first_day: int, days: int) -> list[int]:
    return [(first_day + d + 1) * DAY_US for d in range(days)]


def _blank(units: int, days: int) -> Alarms:
    size = (units, days)
    return Alarms(np.zeros(size), np.zeros(size), np.zeros(size, bool), np.zeros(size, bool))


def _take(out: Alarms, d: int, state: State, options: Options) -> None:
    out.drift[:, d] = state.drift.nats / options.drift_nats
    out.locked[:, d] = state.rate.score / options.locked_nats
    out.locked_alarm[:, d] = state.rate.alarm
    out.alarm[:, d] = state.drift.alarm | state.rate.alarm
