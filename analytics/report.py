"""From the state of the fleet at an instant to the verdicts of its units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics import (
    attempts,
    compact,
    drift,
    features,
    locked,
    posterior,
    prospect,
    rank,
    repair,
    silence,
    standing,
    told,
)
from analytics.options import DAY_US, Options
from analytics.state import State
from analytics.tables import GEAR, Fleet, Ints
from analytics.verdict import CAUSES, Causes, Locked, Repair, RunUp, Verdict, stamp

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TEST_ALONE = 0.15
"""Share at which the evidence of the drift test by itself counts towards watching a unit, and towards its place."""
COLD_SEEN = 5.0
"""Information about cold in a baseline below which the unit has not met it."""
PIECE = 10_000
"""Units whose verdicts are made from plain values at once."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Ranked:
    """A verdict and its place in the call list: the larger, the higher."""

    verdict: Verdict
    rank: float


def when(instant: int) -> datetime:
    """Return microseconds since 1970 as an instant in UTC."""
    return EPOCH + timedelta(microseconds=instant)


def present(state: State, fleet: Fleet, instant: int) -> Ints:
    """Return the units to speak of: those listed, and those heard of by the instant."""
    return np.flatnonzero(fleet.listed | (state.first_at <= instant))


def verdicts(state: State, fleet: Fleet, instant: int, units: Ints | None = None) -> Iterator[Ranked]:
    """Yield the verdict of each unit at an instant, by name.

    Parameters
    ----------
    state : as ``core.run`` yields it for that instant
    instant : microseconds since 1970 UTC
    units : which units; all that are listed or heard of by default
    """
    units = present(state, fleet, instant) if units is None else units
    now = stamp(when(instant))
    columns = _columns(state, fleet, instant, units)
    for first in range(0, len(units), PIECE):
        # Plain values take several times the room of arrays.
        part = [column[first : first + PIECE].tolist() for column in columns.values()]
        for values in zip(*part, strict=True):
            yield _verdict(fleet, dict(zip(columns, values, strict=True)), now, state.options)


def _columns(state: State, fleet: Fleet, instant: int, units: Ints) -> dict[str, NDArray[Any]]:
    """Return what a verdict is made of, an array a name, one entry a unit."""
    usable, options = state.usable, state.options
    size = drift.effect(state.drift, state.run_up, usable, options)
    window = locked.window(state.rate)
    ratio, low, high = locked.interval(window[:, locked.SEEN], window[:, locked.EXPECTED])
    down = attempts.down(state.tries)
    recent = posterior.locked_out(state, instant)
    share = posterior.causes(state, fleet, posterior.worth_asking(state, instant), instant)
    top = np.argmax(share[:, : len(CAUSES)], axis=1)
    likely = np.where(share[np.arange(len(top)), top] >= options.cause_margin, top, -1)
    asked = np.flatnonzero(usable & (posterior.flagged(state, instant) | down))
    spoken = dict(zip(asked.tolist(), posterior.speaking(state, fleet, asked, top[asked], instant), strict=True))
    weather = prospect.look(state, fleet, instant)
    chance_7d, chance_14d = prospect.chances(state, weather, 1.0 - share[:, -1], instant)
    heard = state.tries.last_start_at > attempts.NEVER
    made = {
        "unit": np.arange(fleet.size),
        "usable": usable,
        "days": np.maximum(0, instant // DAY_US - state.since_day),
        "starts": state.rate.starts,
        "timed": state.timed,
        "restarted": state.restarted,
        "down": down,
        "silent": silence.silent(state.activity, instant, state.tries.last_start_at, state.first_at),
        "drift_alarm": state.drift.alarm,
        "locked_alarm": state.rate.alarm,
        "drift_nats": np.maximum(state.drift.nats, TEST_ALONE * state.drift.evidence),
        "locked_nats": state.rate.score,
        "expected_s": size.expected_s.round(4),
        "now_s": size.now_s.round(4),
        "drift": size.drift.round(4),
        "drift_low": size.low.round(4),
        "drift_high": size.high.round(4),
        "drift_since": state.drift.since_day,
        "first_attempts": window[:, locked.N].astype(np.int64),
        "seen": window[:, locked.SEEN].astype(np.int64),
        "expected": window[:, locked.EXPECTED].round(4),
        "ratio": ratio.round(3),
        "ratio_low": low.round(3),
        "ratio_high": high.round(3),
        "locked_since": state.rate.since_day,
        "share": _rounded(share),
        "likely": likely,
        "lockout_7d": chance_7d.round(4),
        "lockout_14d": chance_14d.round(4),
        "coldest_c": weather.coldest_c,
        "weather_fold": prospect.ahead_fold(state, fleet, weather, 1.0 - share[:, -1], instant),
        "forecast": weather.forecast,
        "forecast_reaches": weather.reaches,
        "met_cold": compact.diagonal(state.run_up.base, np.arange(len(state.gear)))[:, features.COLD] > COLD_SEEN,
        "quiet_days": np.where(heard, (instant - state.tries.last_start_at) / DAY_US, 0.0),
        "lockout_recent": recent,
        "conditions_lost": told.lost(state.told),
        "has_kit": state.gear == GEAR.index("relay_kit"),
        "flagged_before": state.flagged_before,
        "repair_over": instant - state.after.at > repair.AFTER_D * DAY_US,
    }
    columns = {name: np.asarray(values)[units] for name, values in made.items()}
    return columns | {
        "grounds": _objects(spoken, units, []),
        "repair": _objects(_repairs(state, units, instant), units),
    }


def _objects(of: Mapping[int, object], units: Ints, otherwise: object = None) -> NDArray[np.object_]:
    out = np.empty(len(units), dtype=object)
    for k, unit in enumerate(units.tolist()):
        out[k] = of.get(unit, otherwise)
    return out


def _rounded(share: Floats) -> Floats:
    """Round posteriors to four digits so that they still sum to one: the largest takes what rounding leaves."""
    digits = share.round(4)
    rows, top = np.arange(len(share)), np.argmax(share, axis=1)
    digits[rows, top] = 0.0
    digits[rows, top] = (1.0 - digits.sum(axis=1)).round(4)
    return digits


def _verdict(fleet: Fleet, v: dict[str, Any], now: str, options: Options) -> Ranked:
    learned: bool = v["usable"]
    # What is ahead of a unit that is not heard follows from nothing that is known of it.
    ahead: bool = learned and (v["down"] or not v["silent"])
    fixed: Repair | None = v["repair"]
    facts = standing.Facts(
        usable=learned,
        days=v["days"],
        starts=v["starts"],
        timed=v["timed"],
        restarted=v["restarted"],
        down=v["down"],
        silent=v["silent"],
        drift_alarm=v["drift_alarm"],
        locked_alarm=v["locked_alarm"],
        drift_low=v["drift_low"],
        drift_nats=v["drift_nats"],
        locked_nats=v["locked_nats"],
        lockout_7d=v["lockout_7d"] if ahead else 0.0,
        lockout_recent=v["lockout_recent"],
        cause=CAUSES[v["likely"]] if learned and v["likely"] >= 0 else None,
        cause_share=max(v["share"][: len(CAUSES)]),
        has_kit=v["has_kit"],
        weather_fold=_known(v["weather_fold"]),
        forecast=v["forecast"],
        forecast_reaches=v["forecast_reaches"],
        met_cold=v["met_cold"],
        quiet_days=v["quiet_days"],
        repair=None if fixed is None else fixed.verdict,
        flagged_before=v["flagged_before"],
        repair_over=v["repair_over"],
        conditions_lost=v["conditions_lost"],
        grounds=tuple(v["grounds"]),
    )
    name, reasons = standing.decide(facts, options)
    verdict = Verdict(
        unit=fleet.names[v["unit"]],
        as_of=now,
        standing=name,
        run_up=_run_up(v) if learned else RunUp(starts=v["starts"]),
        locked=_locked(v) if learned else Locked(starts=v["first_attempts"], seen=v["seen"]),
        causes=Causes(*v["share"]) if learned else Causes(),
        lockout_7d=v["lockout_7d"] if ahead else None,
        lockout_14d=v["lockout_14d"] if ahead else None,
        repair=fixed,
        reasons=reasons,
        say=standing.say(name, facts, options),
    )
    nats = max(v["drift_nats"], v["locked_nats"])
    cost = rank.cost_of_waiting(name, v["lockout_7d"] if learned else None, _known(v["coldest_c"]), nats, options)
    return Ranked(verdict, round(cost, 6))


def _known(value: float) -> float | None:
    return None if value != value else value  # noqa: PLR0124 - only NaN differs from itself


def _day(day: int) -> str | None:
    return None if day <= 0 else (EPOCH + timedelta(days=day)).date().isoformat()


def _run_up(v: dict[str, Any]) -> RunUp:
    return RunUp(
        starts=v["starts"],
        expected_s=_known(v["expected_s"]),
        now_s=_known(v["now_s"]),
        drift=_known(v["drift"]),
        low=_known(v["drift_low"]),
        high=_known(v["drift_high"]),
        since=_day(v["drift_since"]),
        alarm=v["drift_alarm"],
    )


def _locked(v: dict[str, Any]) -> Locked:
    return Locked(
        starts=v["first_attempts"],
        seen=v["seen"],
        expected=v["expected"],
        ratio=v["ratio"],
        low=v["ratio_low"],
        high=v["ratio_high"],
        since=_day(v["locked_since"]),
        alarm=v["locked_alarm"],
    )


def _repairs(state: State, units: Ints, instant: int) -> dict[int, Repair]:
    """Return what is said of the last visit of each of some units; nothing of those that had none."""
    after = state.after
    visited = units[after.at[units] >= 0]
    known = after.known[visited] & (after.starts[visited] >= repair.MIN_FIGURE_STARTS)
    ratio = np.column_stack(locked.interval(after.locked[visited], after.expected[visited])).round(3).tolist()
    changes = repair.changes(after, visited, instant, state.options)
    return {
        u: _repair(int(after.at[u]), change, ratio[k] if known[k] else [None] * 3)
        for k, (u, change) in enumerate(zip(visited.tolist(), changes, strict=True))
    }


def _repair(at: int, change: repair.Change, ratio: list[float] | list[None]) -> Repair:
    middle, low, high = (None, None, None) if change.log_change is None else _percent(change.log_change, change.log_sd)
    return Repair(
        visit=stamp(when(at)),
        run_up_change=middle,
        low=low,
        high=high,
        locked_ratio=ratio[0],
        locked_low=ratio[1],
        locked_high=ratio[2],
        verdict=change.verdict,
    )


def _percent(log_change: float, log_sd: float) -> tuple[float, float, float]:
    half = drift.Z90 * log_sd
    middle, low, high = np.expm1([log_change, log_change - half, log_change + half]).round(4).tolist()
    return middle, low, high
