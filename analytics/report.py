"""From the state of the fleet at an instant to the verdicts of its units."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from analytics import attempts, cause, core, drift, features, locked, outlook, rank, repair, silence, standing
from analytics.core import State
from analytics.options import DAY_US
from analytics.tables import GEAR, Fleet, Ints
from analytics.verdict import CAUSES, Causes, Locked, Repair, RunUp, Verdict, stamp

Floats = NDArray[np.float64]

WORTH_ASKING_NATS = 2.0
"""Below this evidence nothing is asked about causes: the prior stands."""
RECENT_LOCKOUT_US = 14 * DAY_US
COLD_SEEN = 5.0
"""Information about cold in a baseline below which the unit has not met it."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Ranked:
    """A verdict and its place in the call list: the larger, the higher."""

    verdict: Verdict
    rank: float


def when(instant: int) -> datetime:
    """Return microseconds since 1970 as an instant in UTC."""
    return EPOCH + timedelta(microseconds=instant)


def _day(day: int) -> str | None:
    return None if day < 0 else (EPOCH + timedelta(days=day)).date().isoformat()


def present(state: State, fleet: Fleet, instant: int) -> Ints:
    """Return the units to speak of: those listed, and those heard of by the instant."""
    return np.flatnonzero(fleet.listed | (state.first_at <= instant))


def _causes(state: State, fleet: Fleet, asked: Ints) -> Floats:
    share = np.exp(cause.log_prior(state.gear, fleet.metering))
    if len(asked):
        told = cause.terms(state.run_up, state.side, asked, state.rate.score[asked], state.options)
        share[asked] = cause.posterior(sum(told.values()), cause.log_prior(state.gear[asked], fleet.metering[asked]))
    return share


def _outlook(state: State, fleet: Fleet, instant: int) -> outlook.Outlook:
    day = instant // DAY_US
    days = np.clip(day - state.first_at // DAY_US, 1, 14)
    recent = state.activity.ring[:, (day - 1 - np.arange(14)) % silence.HISTORY_D].sum(axis=1)
    window = state.rate.ring.sum(axis=1)
    # One event of prior either way: what drift explains already is not counted twice.
    proneness = np.clip((1.0 + window[:, locked.SEEN]) / (1.0 + window[:, locked.EXPECTED_NOW]), 0.5, 20.0)
    lockouts, tries = outlook.LOCKOUT_SHARE
    hours = {
        site: outlook.forecast_hours(fleet.forecasts[site], instant)
        for site in sorted({s for s in fleet.site if s is not None})
        if site in fleet.forecasts
    }
    return outlook.look(
        state.sample,
        state.hazard,
        state.run_up.mean,
        np.where(state.usable, core.excess(state), 0.0),
        recent / days,
        proneness,
        (state.lockouts + lockouts) / (state.locked_first + tries),
        hours,
        fleet.site,
        instant,
    )


def verdicts(state: State, fleet: Fleet, instant: int, units: Ints | None = None) -> Iterator[Ranked]:
    """Yield the verdict of each unit at an instant, by name.

    Parameters
    ----------
    state : as ``core.run`` yields it for that instant
    instant : microseconds since 1970 UTC
    units : which units; all that are listed or heard of by default
    """
    units = present(state, fleet, instant) if units is None else units
    options, usable = state.options, state.usable
    size = drift.effect(state.drift, state.run_up, usable, options)
    window = state.rate.ring.sum(axis=1)
    ratio, low, high = locked.interval(window[:, locked.SEEN], window[:, locked.EXPECTED])
    evidence = np.maximum(state.drift.evidence, state.rate.score)
    alarm = state.drift.alarm | state.rate.alarm
    down = attempts.down(state.tries)
    asked = np.flatnonzero(usable & ((evidence > WORTH_ASKING_NATS) | alarm | down))
    share = _causes(state, fleet, asked)
    ahead = _outlook(state, fleet, instant)
    quiet = silence.silent(state.activity, instant, state.tries.last_start_at, state.first_at)
    cold = state.run_up.base_n[:, features.COLD, features.COLD]
    now = stamp(when(instant))
    for u in units.tolist():
        learned = bool(usable[u])
        fixed = _repair(state, u, instant)
        likely = _likely(share[u])
        facts = standing.Facts(
            usable=learned,
            days=max(0, instant // DAY_US - int(state.since_day[u])),
            starts=int(state.rate.starts[u]),
            timed=int(state.timed[u]),
            restarted=bool(state.restarted[u]),
            down=bool(down[u]),
            silent=bool(quiet[u]),
            drift_alarm=bool(state.drift.alarm[u]),
            locked_alarm=bool(state.rate.alarm[u]),
            drift_nats=float(state.drift.evidence[u]),
            locked_nats=float(state.rate.score[u]),
            lockout_7d=float(ahead.lockout_7d[u]) if learned else 0.0,
            lockout_recent=bool(instant - state.tries.lockout_at[u] <= RECENT_LOCKOUT_US)
            if state.tries.lockouts[u] or down[u]
            else False,
            cause=likely if learned else None,
            has_kit=bool(state.gear[u] == GEAR.index("relay_kit")),
            forecast=bool(ahead.forecast[u]),
            forecast_reaches=bool(ahead.reaches[u]),
            met_cold=bool(cold[u] > COLD_SEEN),
            quiet_days=(instant - int(state.tries.last_start_at[u])) / DAY_US if facts_known(state, u) else 0.0,
            repair=None if fixed is None else fixed.verdict,
            flagged_before=bool(state.flagged_before[u]),
        )
        name, reasons = standing.decide(facts, options)
        verdict = Verdict(
            unit=fleet.names[u],
            as_of=now,
            standing=name,
            run_up=_run_up(state, size, u, facts),
            locked=_locked(state, window, (ratio, low, high), u, learned),
            causes=_rounded(share[u]) if learned else Causes(),
            lockout_7d=_round(ahead.lockout_7d[u], 4) if learned else None,
            lockout_14d=_round(ahead.lockout_14d[u], 4) if learned else None,
            repair=fixed,
            reasons=reasons,
            say=standing.SAY[name],
        )
        coldest = float(ahead.coldest_c[u])
        cost = rank.cost_of_waiting(
            name, verdict.lockout_7d, None if np.isnan(coldest) else coldest, float(evidence[u]), options
        )
        yield Ranked(verdict, round(cost, 6))


def facts_known(state: State, unit: int) -> bool:
    """Return whether a unit has started at all."""
    return bool(state.tries.last_start_at[unit] > attempts.NEVER)


def _round(value: float, digits: int) -> float | None:
    return None if not np.isfinite(value) else round(float(value), digits)


def _likely(share: Floats) -> str | None:
    top = int(np.argmax(share[: len(CAUSES)]))
    return CAUSES[top] if share[top] >= 0.6 else None


def _rounded(share: Floats) -> Causes:
    """Round a posterior to four digits so that it still sums to one."""
    digits: Sequence[float] = [round(float(v), 4) for v in share]
    top = int(np.argmax(share))
    rest = sum(v for i, v in enumerate(digits) if i != top)
    return Causes(*(round(1.0 - rest, 4) if i == top else v for i, v in enumerate(digits)))


def _run_up(state: State, size: drift.Effect, u: int, facts: standing.Facts) -> RunUp:
    if not facts.usable:
        return RunUp(starts=facts.starts)
    return RunUp(
        starts=facts.starts,
        expected_s=_round(size.expected_s[u], 4),
        now_s=_round(size.now_s[u], 4),
        drift=_round(size.drift[u], 4),
        low=_round(size.low[u], 4),
        high=_round(size.high[u], 4),
        since=_day(int(state.drift.since_day[u])),
        alarm=facts.drift_alarm,
    )


def _locked(state: State, window: Floats, interval: tuple[Floats, Floats, Floats], u: int, learned: bool) -> Locked:
    starts, seen = int(window[u, locked.N]), int(window[u, locked.SEEN])
    if not learned:
        return Locked(starts=starts, seen=seen)
    ratio, low, high = interval
    return Locked(
        starts=starts,
        seen=seen,
        expected=_round(window[u, locked.EXPECTED], 4),
        ratio=_round(ratio[u], 3),
        low=_round(low[u], 3),
        high=_round(high[u], 3),
        since=_day(int(state.rate.since_day[u])),
        alarm=bool(state.rate.alarm[u]),
    )


def _repair(state: State, u: int, instant: int) -> Repair | None:
    if state.after.at[u] < 0:
        return None
    change = repair.change(state.after, u, instant, state.options)
    figures: tuple[float | None, float | None, float | None] = (None, None, None)
    if change.log_change is not None and change.log_sd is not None:
        half = drift.Z90 * change.log_sd
        ends = (change.log_change, change.log_change - half, change.log_change + half)
        figures = (_round(np.expm1(ends[0]), 4), _round(np.expm1(ends[1]), 4), _round(np.expm1(ends[2]), 4))
    enough = bool(state.after.known[u]) and state.after.starts[u] >= repair.MIN_FIGURE_STARTS
    ratio, low, high = locked.interval(state.after.locked[u : u + 1], state.after.expected[u : u + 1])
    return Repair(
        visit=stamp(when(int(state.after.at[u]))),
        run_up_change=figures[0],
        low=figures[1],
        high=figures[2],
        locked_ratio=_round(ratio[0], 3) if enough else None,
        locked_low=_round(low[0], 3) if enough else None,
        locked_high=_round(high[0], 3) if enough else None,
        verdict=change.verdict,
    )
