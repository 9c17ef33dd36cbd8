"""A simulated fleet: units, their starts through a winter, what people did about it, and the truth behind it.

Units are simulated some dozens at a time, all of their starts at once in arrays; a fleet is the same for the same
seed whatever the machine, and its first units are the same however many follow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest import frames
from ingest.errors import BadInputError
from simulator import clocks, compressor, nameplate, outcomes, records, rows, service, supply, use, weather
from simulator import faults as faults_
from simulator import happened as happened_
from simulator.clocks import Clocks
from simulator.faults import DAY_S, LOOK_ALIKES, Faults
from simulator.nameplate import Units
from simulator.tries import Tries, lockout_odds

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

BATCH = 48
"""Units simulated at once; a whole number of sites."""
DEFAULT_START = datetime(2024, 10, 1, tzinfo=UTC)
LAST_DAY = datetime(2100, 1, 1, tzinfo=UTC)
PASSES = 100
"""Most times that a batch is gone through until what people do has settled; mostly three do, rarely a dozen."""
Beside = Callable[[Units, Faults, happened_.Happened, happened_.Noise, datetime, int], object]
"""Called with what a batch is made from; see `batches`."""


@dataclass(frozen=True)
class Fleet:
    """The frames of a fleet, as `ingest.frames` has them, and ``truth`` with one row a unit.

    ``waves`` has the starts that loggers with waves send as such, with what `simulator.waves.sampled` makes them of:
    ``unit seq machine gear line_v dp_kpa close_deg cut_s``.
    """

    units: pd.DataFrame
    starts: pd.DataFrame
    rests: pd.DataFrame
    events: pd.DataFrame
    visits: pd.DataFrame
    forecasts: pd.DataFrame
    truth: pd.DataFrame
    waves: pd.DataFrame


def simulate(
    units: int,
    days: int,
    seed: int,
    start: datetime = DEFAULT_START,
    *,
    faulty: float = 0.25,
    progress: Callable[[int], object] | None = None,
) -> Fleet:
    """Simulate a fleet.

    Parameters
    ----------
    units : int
        How many units, 1 or more.
    days : int
        How many days, 1 or more.
    seed : int
        The same seed, days, start and share of faults give the same fleet; 0 or more.
    start : datetime
        The first day, from its 00:00 UTC on.
    faulty : float
        Share of units that get a fault within the run, 0 to 1.
    progress : callable, optional
        Called with the number of units just done.

    Raises
    ------
    BadInputError
        For a number of units or days below 1, days past 2099, a seed below 0, or a share outside 0 to 1.
    """
    parts = []
    for part in batches(units, days, seed, start, faulty=faulty):
        parts.append(part)
        if progress is not None:
            progress(len(part.units))
    return Fleet(**{f.name: _together(f.name, [getattr(p, f.name) for p in parts]) for f in fields(Fleet)})


def batches(
    units: int,
    days: int,
    seed: int,
    start: datetime = DEFAULT_START,
    *,
    faulty: float = 0.25,
    beside: Beside | None = None,
) -> Iterator[Fleet]:
    """Yield the fleet of `simulate` some dozens of units at a time, so that memory stays flat.

    ``beside`` is called with what each batch is made from: units, faults, what happened, its noise, the first day, and
    how many of the units are wanted.
    """
    for name, value, least in (("units", units, 1), ("days", days, 1), ("seed", seed, 0)):
        if value < least:
            raise BadInputError(f"{name}: {value} is below {least}")
    if days > (LAST_DAY - start.astimezone(UTC)).days:
        raise BadInputError(f"days: {days} from {start:%Y-%m-%d} on pass the year 2099; ask for fewer")
    if not 0 <= faulty <= 1:
        raise BadInputError(f"faulty: {faulty} is not a share from 0 to 1")
    first_day = start.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    sky = np.random.default_rng([seed, 1])
    area_c = weather.areas(first_day, days, sky)
    errors = weather.errors(days, sky)
    for first in range(0, units, BATCH):
        count = min(BATCH, units - first)
        yield _batch(first, count, days, [seed, 2, first], first_day, faulty, area_c, errors, beside)


def _batch(
    first: int,
    count: int,
    days: int,
    seed: list[int],
    first_day: datetime,
    faulty: float,
    area_c: Array,
    errors: Array,
    beside: Beside | None,
) -> Fleet:
    """Simulate a whole batch, and return the part of it that was asked for."""
    rng = np.random.default_rng(seed)
    fleet_units = nameplate.draw(first, BATCH, rng)
    motors = compressor.compressors(fleet_units.tons, fleet_units.lra_a, fleet_units.run_cap_uf, fleet_units.compressor)
    wrong = faults_.draw(fleet_units, days, faulty, rng)
    site_area = fleet_units.area[:: nameplate.UNITS_A_SITE]
    site_c = weather.sites(area_c, site_area, rng)
    outdoor = site_c[fleet_units.site_index, : 24 * days]
    look = [wrong.look_alike == LOOK_ALIKES.index(name) for name in LOOK_ALIKES]
    habits = use.habits(BATCH, rng)
    habits.changed_s[:] = np.where(look[1], wrong.look_s, np.inf)
    plan = use.schedule(outdoor, habits, rng)
    noise = happened_.draw(fleet_units, plan, days, look[4], rng)

    outdoor_c = _at(outdoor, plan)
    house = supply.house_v(fleet_units.house_v, outdoor, rng)
    stepped = np.where(plan.at_s >= wrong.look_s[plan.unit], rng.choice([-7.0, -5.0, 5.0], BATCH)[plan.unit], 0.0)
    line_v = _at(house, plan) + noise.volts + np.where(look[3][plan.unit], stepped, 0.0)

    def met(fixed: Array, kit: Array, off_s: Array) -> outcomes.Conditions:
        now = faults_.state(fleet_units, wrong, plan.unit, plan.at_s, fixed, kit)
        noisy = (noise.inertia, noise.valve_u)
        return outcomes.conditions(fleet_units, motors, plan, now, off_s, outdoor_c, line_v, *noisy)

    tries = Tries(motors, noise)

    visits = service.planned(fleet_units, wrong, days, rng)
    done = service.Service(visits=visits)
    off_s, down = plan.off_s, np.zeros(len(plan.at_s), bool)
    # What people do changes what happens after it: go through until that settles.
    for _ in range(PASSES):
        fixed, kit = service.times(done, wrong)
        now = met(fixed, kit, off_s)
        away_nm = outcomes.getaway_nm(now)
        stalls = tries.stalls(now, away_nm)
        failed = np.flatnonzero(stalls == outcomes.TRIES)
        lockout_s = now.wait_s[outcomes.TRIES]
        after = service.answer(fleet_units, wrong, visits, failed, plan.unit, plan.at_s, lockout_s, [*seed, 3])
        down, off_s = _downtime(after, plan)
        if after == done:
            break
        done = after
    else:
        # A unit that goes to and fro between two ways: what was told of last holds, and the starts follow from it.
        fixed, kit = service.times(done, wrong)
        now = met(fixed, kit, off_s)
        away_nm = outcomes.getaway_nm(now)
        stalls = tries.stalls(now, away_nm)
        done = replace(done, lockouts=[one for one in done.lockouts if stalls[one[1]] == outcomes.TRIES])
    stalls = np.where((stalls == outcomes.TRIES) & ~_locked_out(done, len(stalls)), outcomes.TRIES - 1, stalls)
    reported = happened_.window(wrong, days, rng)
    happened = happened_.Happened(motors, plan, now, stalls, tries.factor, down, days, done, reported)
    # Drawn from numbers of their own, so that clocks and connections change nothing else.
    loggers = clocks.draw(BATCH, days, np.random.default_rng([*seed, 4]))
    made = records.make(fleet_units, wrong, happened, noise, loggers, first_day, rng)
    own = {
        "forecasts": records.forecasts(site_c, site_area, fleet_units, errors, first_day, days),
        "truth": _truth(
            fleet_units, wrong, done, plan, loggers, lockout_odds(fleet_units, now, away_nm), days, first_day
        ),
    }
    if beside is not None:
        beside(fleet_units, wrong, happened, noise, first_day, count)
    return _cut(made | own, fleet_units.unit[:count], nameplate.UNITS_A_SITE)


def _at(hourly: Array, plan: use.Schedule) -> Array:
    """Return an hourly series at the moment of each start, straight between the hours."""
    after = np.minimum(plan.hour + 1, hourly.shape[1] - 1)
    part = plan.at_s / 3600 - plan.hour
    between: Array = hourly[plan.unit, plan.hour] * (1 - part) + hourly[plan.unit, after] * part
    return between


def _locked_out(done: service.Service, count: int) -> npt.NDArray[np.bool_]:
    """Return which starts ended in a lockout that people answered."""
    found = np.zeros(count, bool)
    found[[row for _, row, _, _ in done.lockouts]] = True
    return found


def _downtime(done: service.Service, plan: use.Schedule) -> tuple[npt.NDArray[np.bool_], Array]:
    """Return which calls find the unit locked out, and each start's time since the compressor last ran [s]."""
    down, off_s = np.zeros(len(plan.at_s), bool), plan.off_s.copy()
    for unit, row, _, until in done.lockouts:
        end = np.searchsorted(plan.unit, unit, side="right")
        next_row = row + 1 + int(np.searchsorted(plan.at_s[row + 1 : end], until))
        down[row + 1 : next_row] = True
        if next_row < end:
            off_s[next_row] = plan.at_s[next_row] - plan.at_s[row] + off_s[row]
    return down, off_s


def _truth(
    units: Units,
    wrong: Faults,
    done: service.Service,
    plan: use.Schedule,
    loggers: Clocks,
    lockout: Array,
    days: int,
    first_day: datetime,
) -> pd.DataFrame:
    """Return what is so, one row a unit: cause, look-alike, onset, growth, repairs, logger, each day's lockout odds."""
    day = (plan.at_s // DAY_S).astype(np.intp)
    sound = np.bincount(plan.unit * days + day, np.log1p(-lockout), len(units.unit) * days)
    chance = np.round(-np.expm1(sound), 6).reshape(-1, days)
    dates = [f"{first_day + timedelta(days=d):%Y-%m-%d}" for d in range(days)]
    told: list[dict[str, Any]] = []
    for u, name in enumerate(units.unit.tolist()):
        cause = faults_.CAUSES[wrong.cause[u]]
        look = LOOK_ALIKES[wrong.look_alike[u]]
        mine = sorted((v for v in done.visits if v.unit == u), key=lambda v: v.at_s)
        since = wrong.onset_s[u] if cause != "none" else wrong.look_s[u]
        told.append(
            {
                "unit": name,
                "cause": cause,
                "look_alike": None if look == "none" else look,
                "onset": rows.moment(first_day, since) if np.isfinite(since) else None,
                "growth": faults_.growth(wrong, u),
                "repairs": [
                    {"at": rows.moment(first_day, v.at_s), "work": v.work, "right": v.right}
                    for v in mine
                    if v.at_s < days * DAY_S
                ],
                **clocks.told(loggers, u, first_day),
                "lockout_probability": [{"day": d, "p": p} for d, p in zip(dates, chance[u].tolist(), strict=True)],
            }
        )
    return pd.DataFrame(told)


def _cut(made: dict[str, pd.DataFrame], wanted: npt.NDArray[np.object_], units_a_site: int) -> Fleet:
    """Keep the first units of a batch, and their sites."""
    if len(wanted) == BATCH:
        return Fleet(**made)
    names = set(wanted.tolist())
    sites = -(-len(wanted) // units_a_site)
    known = list(dict.fromkeys(made["forecasts"]["site"]))[:sites]
    kept = {
        name: table[table["site"].isin(known)] if name == "forecasts" else table[table["unit"].isin(names)]
        for name, table in made.items()
    }
    return Fleet(**{name: table.reset_index(drop=True) for name, table in kept.items()})


def _together(name: str, tables: list[pd.DataFrame]) -> pd.DataFrame:
    if name in {"truth", "waves"}:
        return pd.concat(tables, ignore_index=True)
    return frames.concat(name, tables)  # type: ignore[arg-type]
