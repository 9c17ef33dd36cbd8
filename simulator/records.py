"""From what happened to the records of it: rows of starts, rests, events, visits and forecasts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.signal import lfilter

from ingest import frames
from simulator import logger, nameplate, outcomes, refrigerant, running, runup, weather
from simulator.faults import DAY_S, LOOK_ALIKES, Faults
from simulator.nameplate import Units
from simulator.service import Service
from simulator.use import Schedule

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

DROPPED = 1e-4
"""Chance that power goes away before a start is clear."""
RESTS_A_DAY = 2.0
REST_T_S = np.array([0.0, 10, 20, 30, 45, 60, 90, 120, 150, 180, 240, 300, 420, 600, 900, 1200, 1800])


@dataclass(frozen=True)
class Noise:
    """Scatter of each start, drawn once so that what people do later changes nothing that came before."""

    call_z: Array
    try_z: Array
    try_u: Array
    volts: Array
    close_deg: Array
    time_z: Array
    dropped: npt.NDArray[np.bool_]
    wander: Array


@dataclass(frozen=True)
class Happened:
    """Calls in order of unit and time, the conditions they met, how many tries stalled, and what people did."""

    plan: Schedule
    met: outcomes.Conditions
    stalls: Array
    factor: Array
    down: npt.NDArray[np.bool_]
    days: int
    done: Service


def draw(starts: int, units: int, days: int, restless: npt.NDArray[np.bool_], rng: np.random.Generator) -> Noise:
    """Draw the scatter of starts and the slow wander of each unit's run-up time, larger for the restless ones.

    The wander, and an effect of the day, are 3 % and 2 % of run-up time (7 % for the restless): no fault.
    """
    keep = np.exp(-1 / 20.0)
    steps = rng.normal(0, np.sqrt(1 - keep**2), (units, days))
    slow = lfilter([1.0], [1.0, -keep], steps, axis=1) * np.where(restless, 0.07, 0.03)[:, None]
    return Noise(
        call_z=rng.normal(size=starts),
        try_z=rng.normal(size=(outcomes.TRIES, starts)),
        try_u=rng.random((outcomes.TRIES, starts)),
        volts=rng.normal(0, 0.6, starts),
        close_deg=rng.uniform(0, 180, starts),
        time_z=rng.normal(0, 0.025, starts),
        dropped=rng.random(starts) < DROPPED,
        wander=slow + rng.normal(0, 0.02, (units, days)),
    )


def window(wrong: Faults, days: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return from when to when each unit's logger reports [s]: some join late, a few fall silent for good."""
    count = len(wrong.cause)
    join = np.where(rng.random(count) < 0.08, rng.uniform(0, 0.35, count) * days * DAY_S, 0.0)
    join = np.minimum(join, np.where(np.isfinite(wrong.onset_s), 0.5 * wrong.onset_s, join))
    silent = np.where(rng.random(count) < 0.012, rng.uniform(0.6, 1.0, count) * days * DAY_S, np.inf)
    return join, silent


def make(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    reported: tuple[Array, Array],
    first_day: datetime,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """Return the frames of units, starts, rests, events and visits."""
    return {
        "units": frames.frame("units", nameplate.columns(units)),  # type: ignore[arg-type]
        "starts": _starts(units, wrong, happened, noise, reported, first_day, rng),
        "rests": _rests(units, happened, reported, first_day, rng),
        "events": _events(units, happened, reported, first_day),
        "visits": _visits(units, happened, first_day),
    }


def _starts(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    reported: tuple[Array, Array],
    first_day: datetime,
    rng: np.random.Generator,
) -> pd.DataFrame:
    plan = happened.plan
    join, silent = reported
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
        "seq": _sequence(unit),
        "at": _stamps(first_day, at_s),
        "outcome": np.select([locked, dropped], [_word("locked"), _word("dropped")], _word("ran")),
        "mode": np.select(
            [plan.cooling[row], plan.defrost[row]], [_word("cooling"), _word("defrost")], _word("heating")
        ),
        "stage": np.where(low_stage | (units.stages[unit] == 1), 1.0, 2.0),
        "retry": retry.astype(np.float64),
    }
    return frames.frame("starts", columns)


def _rests(
    units: Units,
    happened: Happened,
    reported: tuple[Array, Array],
    first_day: datetime,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return some rests a day of each unit with pressures: the stop before a start, until that start."""
    plan, met = happened.plan, happened.met
    join, silent = reported
    stop_s = plan.at_s - met.off_s
    per_day = np.bincount(plan.unit, minlength=len(units.unit)) / max(plan.at_s.max(initial=DAY_S) / DAY_S, 1)
    wanted = rng.random(len(stop_s)) < np.minimum(RESTS_A_DAY / np.maximum(per_day, 1), 1)[plan.unit]
    wanted &= units.fitted["pressures"][plan.unit] & ~happened.down & (stop_s >= np.maximum(join, 0)[plan.unit])
    row = np.flatnonzero(wanted & (plan.at_s < silent[plan.unit]))
    row = row[np.lexsort((stop_s[row], plan.unit[row]))]
    here = outcomes.select(met, row)
    seen = REST_T_S < here.off_s[:, None]
    column = [values[:, None] for values in (*here.stop_kpa, here.rest_kpa, here.tau_s)]
    stop = refrigerant.Pressures(column[0], column[1])
    suction, liquid = refrigerant.decayed(stop, column[2], REST_T_S, column[3])
    ends = seen.sum(axis=1).tolist()

    def series(values: Array, spread: float) -> list[list[float]]:
        noisy = np.round(values + rng.normal(0, spread, values.shape)).tolist()
        return [line[:end] for line, end in zip(noisy, ends, strict=True)]

    t_s = REST_T_S.tolist()
    fitted = units.fitted["outdoor_c"][plan.unit[row]]
    outdoor = np.where(fitted, np.round(here.outdoor_c + rng.normal(0, 0.3, len(row)), 1), np.nan)
    return frames.frame(
        "rests",
        {
            "unit": units.unit[plan.unit[row]],
            "seq": _sequence(plan.unit[row]),
            "at": _stamps(first_day, stop_s[row]),
            "t_s": [t_s[:end] for end in ends],
            "suction_kpa": series(suction, 5.0),
            "liquid_kpa": series(liquid, 8.0),
            "outdoor_c": outdoor,
        },
    )


def _events(units: Units, happened: Happened, reported: tuple[Array, Array], first_day: datetime) -> pd.DataFrame:
    """Return the control's own reports: a lockout, and the power cycle that ended it."""
    rows = [
        (unit, at_s, event)
        for unit, _, locked_s, cycled_s in happened.done.lockouts
        for at_s, event in ((locked_s, "lockout"), (cycled_s, "power_cycle"))
        if reported[0][unit] <= at_s < min(reported[1][unit], happened.days * DAY_S)
    ]
    unit = np.array([r[0] for r in rows], np.intp)
    return frames.frame(
        "events",
        {
            "unit": units.unit[unit],
            "seq": _sequence(unit),
            "at": _stamps(first_day, np.array([r[1] for r in rows], np.float64)),
            "event": [r[2] for r in rows],
            "detail": ["3 tries failed" if r[2] == "lockout" else None for r in rows],
        },
    )


def _visits(units: Units, happened: Happened, first_day: datetime) -> pd.DataFrame:
    visits = [v for v in happened.done.visits if v.at_s < happened.days * DAY_S]
    visits.sort(key=lambda v: (v.unit, v.at_s))
    return frames.frame(
        "visits",
        {
            "unit": units.unit[np.array([v.unit for v in visits], np.intp)],
            "at": _stamps(first_day, np.array([v.at_s for v in visits], np.float64)),
            "work": [v.work for v in visits],
            "readings": [v.readings for v in visits],
            "parts": [v.parts for v in visits],
            "note": [v.note or None for v in visits],
        },
    )


def forecasts(
    site_c: Array, site_area: Index, units: Units, errors: Array, first_day: datetime, days: int
) -> pd.DataFrame:
    """Return one issue a day at 12:00 UTC for each site: its own air with the errors of its area."""
    names = units.site[:: nameplate.UNITS_A_SITE]
    leads = weather.LEADS_H.astype(np.intp)
    hour = 12 + 24 * np.arange(days)[:, None] + leads
    told = np.round(site_c[:, hour] + errors[site_area], 1).tolist()
    issued = [first_day + timedelta(days=d, hours=12) for d in range(days)]
    ahead = [[at + timedelta(hours=int(lead)) for lead in leads] for at in issued]
    return frames.frame(
        "forecasts",
        {
            "site": np.repeat(names, days),
            "issued": issued * len(names),
            "hours": [
                [{"at": at, "outdoor_c": c} for at, c in zip(moments, line, strict=True)]
                for site in told
                for moments, line in zip(ahead, site, strict=True)
            ],
        },
    )


def moment(first_day: datetime, at_s: float) -> str:
    """Return a moment of the run as RFC 3339 in UTC."""
    return f"{first_day + timedelta(seconds=float(at_s)):%Y-%m-%dT%H:%M:%SZ}"


def _stamps(first_day: datetime, at_s: Array) -> npt.NDArray[np.datetime64]:
    """Return moments to the millisecond."""
    origin = np.datetime64(first_day.replace(tzinfo=None), "us")
    return origin + (np.round(at_s * 1000).astype(np.int64) * 1000).astype("m8[us]")


def _sequence(unit: Index) -> npt.NDArray[np.int64]:
    """Return 1, 2, 3 ... within each run of equal units."""
    count = len(unit)
    if not count:
        return np.zeros(0, np.int64)
    first = np.flatnonzero(np.diff(unit, prepend=-1))
    return np.arange(count) - np.repeat(first, np.diff(first, append=count)) + 1


def _word(text: str) -> npt.NDArray[np.object_]:
    return np.array(text, object)
