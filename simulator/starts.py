"""The table of starts: what each try met, how it went, and what the logger made of it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import frames
from simulator import logger, outcomes, refrigerant, running, runup
from simulator.faults import DAY_S, LOOK_ALIKES, Faults
from simulator.happened import Happened, Noise
from simulator.nameplate import Units
from simulator.rows import sequence, stamps, word

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]


def starts(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    first_day: datetime,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the table of starts, one row a try, in order of unit and time.

    Calls that found the unit locked out, or the logger not yet or no longer there, are left out.
    """
    plan = happened.plan
    join, silent = happened.reported
    told = ~happened.down & (plan.at_s >= join[plan.unit]) & (plan.at_s < silent[plan.unit])
    call = np.flatnonzero(told)
    tries = np.minimum(happened.stalls[call] + 1, outcomes.TRIES).astype(np.intp)
    row = np.repeat(call, tries)
    retry = np.arange(len(row)) - np.repeat(np.cumsum(tries) - tries, tries)
    locked = retry < happened.stalls[row]
    dropped = ~locked & (retry == 0) & noise.dropped[row]
    unit, at_s = plan.unit[row], plan.at_s[row] + retry * outcomes.RETRY_S
    met = outcomes.select(happened.met, row)
    off_s = met.off_s + retry * outcomes.RETRY_S

    angle = np.where(units.zero_crossing[unit], rng.normal(4, 3, len(row)), (noise.close_deg[row] + 60 * retry) % 180)
    resistance, now = met.state.source_ohm, met.state
    up = runup.run_up(
        met.line_v,
        outcomes.motor_kpa(met, off_s),
        now.cap_fraction,
        outcomes.friction_nm(met, off_s),
        angle,
        now.kit,
        resistance,
        0.65 * resistance,
        load_factor=np.minimum(happened.factor[retry, row], 0.999 / outcomes.load_ratio(met, retry)),
        size=met.size,
    )
    day = (at_s // DAY_S).astype(np.intp)
    day = np.minimum(day, noise.wander.shape[1] - 1)
    run_up_s = up.run_up_s * units.level[unit] * np.exp(noise.wander[unit, day] + noise.time_z[row])
    low_stage = (units.stages[unit] == 2) & (plan.run_fraction[row] < 0.55)
    lift = (met.stop_kpa.liquid_kpa - met.stop_kpa.suction_kpa) * met.share
    run = running.running(met.line_v, lift, now.cap_fraction, now.friction_nm, met.size * np.where(low_stage, 0.7, 1.0))
    rest = refrigerant.decayed(met.stop_kpa, met.rest_kpa, off_s, met.tau_s)
    ran = ~locked & ~dropped
    recalibrated = (wrong.look_alike == LOOK_ALIKES.index("sensor_recalibrated"))[unit] & (at_s >= wrong.look_s[unit])
    gain = np.where(recalibrated, 1.06, 1.0)
    true = {
        "run_up_s": np.where(ran, run_up_s, np.nan),
        "peak_a": up.peak_a * gain,
        "run_a": np.where(ran, run.run_a * gain, np.nan),
        "run_w": np.where(ran, run.run_w * gain, np.nan),
        "run_pf": np.where(ran, run.run_pf, np.nan),
        "line_v": met.line_v,
        "line_min_v": up.line_min_v,
        "close_deg": angle % 180,
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
        "at": stamps(first_day, at_s),
        "outcome": np.select([locked, dropped], [word("locked"), word("dropped")], word("ran")),
        "mode": np.select([plan.cooling[row], plan.defrost[row]], [word("cooling"), word("defrost")], word("heating")),
        "stage": np.where(low_stage | (units.stages[unit] == 1), 1.0, 2.0),
        "retry": retry.astype(np.float64),
    }
    return frames.frame("starts", columns)
