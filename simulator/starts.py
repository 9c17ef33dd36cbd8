"""The table of starts: what each try met, how it went, and what the logger made of it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import frames
from simulator import clocks, compressor, logger, outcomes, refrigerant, running
from simulator.clocks import Clocks
from simulator.compressor import Attempt, Compressors
from simulator.faults import LOOK_ALIKES, Faults
from simulator.happened import Happened, Noise
from simulator.machine import Floats, Machine, StartGear, reference_3_ton
from simulator.motor import Starts
from simulator.nameplate import Units
from simulator.rows import sequence, stamps, word
from simulator.supply import X_OVER_R

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Marks = npt.NDArray[np.bool_]

LOW_STAGE = 0.7
"""Load of a two-stage compressor on its low stage over that on its high one (assumption)."""
BUSY_S = 60.0
"""A call that comes sooner than this after a unit's last try finds it not ready, and is not one."""
WAVE_UNITS = 3
WAVE_EVERY = 20
LOCKED_CUT_S = 1.0
"""A logger with waves that sees a locked rotor has its record end there, s."""
_LIGHTER = 5


def starts(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    loggers: Clocks,
    first_day: datetime,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, Attempt]:
    """Return the table of starts, one row a try, in order of unit and time; and what the motor met at each.

    Calls that found the unit locked out, or the logger not yet or no longer there, are left out.
    """
    plan = happened.plan
    row, retry, locked, dropped = tries_told(happened, noise)
    met = outcomes.select(happened.met, row)
    unit, wait_s = plan.unit[row], met.wait_s[retry, np.arange(len(row))]
    at_s, off_s = plan.at_s[row] + wait_s, met.off_s + wait_s

    tried = outcomes.attempt(met, retry, happened.factor[retry, row], noise.close_deg[retry, row])
    tried, up = _integrated(happened.motors, tried, ~locked & ~dropped)
    low_stage = (units.stages[unit] == 2) & (plan.run_fraction[row] < 0.55)
    lift_kpa = (met.stop_kpa.liquid_kpa - met.stop_kpa.suction_kpa) * met.share
    load_nm = met.state.friction_nm + float(reference_3_ton().torque_per_kpa_nm) * lift_kpa
    run = running.running(
        met.line_v,
        load_nm * np.where(low_stage, LOW_STAGE, 1.0) * met.size / met.power,
        met.state.cap_fraction,
        met.power,
        met.state.source_ohm,
        X_OVER_R,
    )
    rest = refrigerant.decayed(met.stop_kpa, met.rest_kpa, off_s, met.tau_s)
    ran = ~locked & ~dropped
    recalibrated = (wrong.look_alike == LOOK_ALIKES.index("sensor_recalibrated"))[unit] & (at_s >= wrong.look_s[unit])
    gain = np.where(recalibrated, 1.06, 1.0)
    true = {
        "run_up_s": np.where(ran, up.run_up_s, np.nan),
        "peak_a": up.locked_a * gain,
        "run_a": np.where(ran, run.run_a * gain, np.nan),
        "run_w": np.where(ran, run.run_w * gain, np.nan),
        "run_pf": np.where(ran, run.run_pf, np.nan),
        "line_v": met.line_v,
        "line_min_v": up.line_min_v,
        "close_deg": tried.close_deg % 180,
        "off_s": off_s,
        "ran_s": plan.ran_s[row],
        "outdoor_c": met.outdoor_c + np.where(recalibrated, 1.5, 0.0),
        "suction_kpa": rest.suction_kpa,
        "liquid_kpa": rest.liquid_kpa,
    }
    columns: dict[str, Any] = logger.measured(true, {k: v[unit] for k, v in units.fitted.items()}, rng)
    columns |= {
        "unit": units.unit[unit],
        "seq": sequence(unit),
        "at": stamps(first_day, at_s + clocks.error_s(loggers, unit, at_s)),
        "outcome": np.select([locked, dropped], [word("locked"), word("dropped")], word("ran")),
        "mode": np.select([plan.cooling[row], plan.defrost[row]], [word("cooling"), word("defrost")], word("heating")),
        "stage": np.where(low_stage | (units.stages[unit] == 1), 1.0, 2.0),
        "retry": retry.astype(np.float64),
    }
    return frames.frame("starts", columns), tried


def tries_told(happened: Happened, noise: Noise) -> tuple[Index, Index, Marks, Marks]:
    """Return each try that the logger tells of: its call, its number, whether it locked, whether power went away."""
    call = np.flatnonzero(_told(happened))
    tries = np.minimum(happened.stalls[call] + 1, outcomes.TRIES).astype(np.intp)
    row = np.repeat(call, tries)
    retry = np.arange(len(row)) - np.repeat(np.cumsum(tries) - tries, tries)
    locked = retry < happened.stalls[row]
    return row, retry, locked, ~locked & (retry == 0) & noise.dropped[row]


def waves(units: Units, motors: Compressors, started: pd.DataFrame, met: Attempt) -> pd.DataFrame:
    """Return the starts that loggers with waves send as such, and what those are made of.

    The very first units with a voltage channel have such loggers; they send every so manyth start as a wave.
    """
    able = np.flatnonzero(units.fitted["close_deg"])[: WAVE_UNITS if units.first == 0 else 0]
    some = set(units.unit[able].tolist())
    mine = started["unit"].isin(some) & (started["seq"] % WAVE_EVERY == 0) & (started["outcome"] != "dropped")
    rows = np.flatnonzero(mine)
    machine, gear = compressor.inputs(motors, met.rows(rows))
    cut_s = np.where(started["outcome"].to_numpy()[rows] == "locked", LOCKED_CUT_S, np.inf)
    return pd.DataFrame(
        {
            "unit": started["unit"].to_numpy()[rows],
            "seq": started["seq"].to_numpy()[rows],
            "machine": [Machine(**_numbers(machine, k)) for k in range(len(rows))],
            "gear": [StartGear(**_numbers(gear, k)) for k in range(len(rows))],
            "line_v": met.line_v[rows],
            "dp_kpa": (met.dp_kpa * met.load_factor)[rows],
            "close_deg": met.close_deg[rows],
            "cut_s": cut_s,
        }
    )


def _numbers(values: Machine | StartGear, k: int) -> dict[str, float]:
    return {name: float(np.asarray(column)[k]) for name, column in vars(values).items()}


def _told(happened: Happened) -> Marks:
    """Return which calls are starts that the logger tells of."""
    plan, met = happened.plan, happened.met
    join, silent = happened.reported
    told = ~happened.down & (plan.at_s >= join[plan.unit]) & (plan.at_s < silent[plan.unit])
    tries = np.minimum(happened.stalls, outcomes.TRIES)
    free_s = plan.at_s + met.wait_s[tries, np.arange(len(tries))] + BUSY_S
    same = plan.unit[1:] == plan.unit[:-1]
    told[1:] &= ~(same & (plan.at_s[1:] < free_s[:-1]))
    return told


def _integrated(motors: Compressors, tried: Attempt, ran: Marks) -> tuple[Attempt, Starts]:
    """Return how each start went.

    A start that is known to have run (an answer to lockouts that did not settle left it so), and would not, met a
    lighter load than was drawn for it.
    """
    up = compressor.integrate(motors, tried)
    lighter: Floats = tried.load_factor.copy()
    for _ in range(_LIGHTER):
        rows = np.flatnonzero(ran & np.isnan(up.run_up_s) & ~tried.welded)
        if not rows.size:
            break
        lighter[rows] *= 0.7
        tried = Attempt(**(vars(tried) | {"load_factor": lighter}))
        for name, values in vars(compressor.integrate(motors, tried.rows(rows))).items():
            getattr(up, name)[rows] = values
    return tried, up
