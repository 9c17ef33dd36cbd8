"""From what happened to the records of it: units, starts, rests, events, visits and forecasts."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import frames
from simulator import clocks, nameplate, outcomes, refrigerant, starts, weather
from simulator.clocks import Clocks
from simulator.faults import DAY_S, Faults
from simulator.happened import Happened, Noise
from simulator.nameplate import Units
from simulator.rows import sequence, stamps

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

RESTS_A_DAY = 2.0
REST_T_S = np.array([0.0, 10, 20, 30, 45, 60, 90, 120, 150, 180, 240, 300, 420, 600, 900, 1200, 1800])


def make(
    units: Units,
    wrong: Faults,
    happened: Happened,
    noise: Noise,
    loggers: Clocks,
    first_day: datetime,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """Return the frames of units, starts, rests, events and visits, and which starts are sent as waves.

    Moments of starts, rests and events are what the logger's clock said.
    """
    started, met = starts.starts(units, wrong, happened, noise, loggers, first_day, rng)
    return {
        "units": frames.frame("units", nameplate.columns(units)),  # type: ignore[arg-type]
        "starts": started,
        "rests": _rests(units, happened, loggers, first_day, rng),
        "events": _events(units, happened, loggers, first_day),
        "visits": _visits(units, happened, first_day),
        "waves": starts.waves(units, happened.motors, started, met),
    }


def _rests(
    units: Units,
    happened: Happened,
    loggers: Clocks,
    first_day: datetime,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return some rests a day of each unit with pressures: the stop before a start, until that start."""
    plan, met = happened.plan, happened.met
    join, silent = happened.reported
    stop_s = plan.at_s - met.off_s
    per_day = np.bincount(plan.unit, minlength=len(units.unit)) / max(plan.at_s.max(initial=DAY_S) / DAY_S, 1)
    wanted = rng.random(len(stop_s)) < np.minimum(RESTS_A_DAY / np.maximum(per_day, 1), 1)[plan.unit]
    wanted &= units.fitted["pressures"][plan.unit] & ~happened.down & (stop_s >= np.maximum(join, 0)[plan.unit])
    row = np.flatnonzero(wanted & (plan.at_s < silent[plan.unit]))
    row = row[np.lexsort((stop_s[row], plan.unit[row]))]
    here = outcomes.select(met, row)
    seen = here.off_s[:, None] > REST_T_S
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
            "seq": sequence(plan.unit[row]),
            "at": stamps(first_day, stop_s[row] + clocks.error_s(loggers, plan.unit[row], stop_s[row])),
            "t_s": [t_s[:end] for end in ends],
            "suction_kpa": series(suction, 5.0),
            "liquid_kpa": series(liquid, 8.0),
            "outdoor_c": outdoor,
        },
    )


def _events(units: Units, happened: Happened, loggers: Clocks, first_day: datetime) -> pd.DataFrame:
    """Return the control's own reports: a lockout, and the power cycle that ended it."""
    rows = [
        (unit, at_s, event)
        for unit, _, locked_s, cycled_s in happened.done.lockouts
        for at_s, event in ((locked_s, "lockout"), (cycled_s, "power_cycle"))
        if happened.reported[0][unit] <= at_s < min(happened.reported[1][unit], happened.days * DAY_S)
    ]
    unit = np.array([r[0] for r in rows], np.intp)
    at_s = np.array([r[1] for r in rows], np.float64)
    return frames.frame(
        "events",
        {
            "unit": units.unit[unit],
            "seq": sequence(unit),
            "at": stamps(first_day, at_s + clocks.error_s(loggers, unit, at_s)),
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
            "at": stamps(first_day, np.array([v.at_s for v in visits], np.float64)),
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
