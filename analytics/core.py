"""The one core that replay and the running service share: sums by unit, carried from day to day.

A day is a UTC day. ``advance`` takes in what happened on it, up to an instant; what it has taken in is all that the
verdict of that instant may know. Nothing here loops over starts or units: a day of the fleet is arrays.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from analytics import (
    ahead,
    attempts,
    baseline,
    cause,
    channels,
    drift,
    features,
    hazard,
    joint,
    locked,
    noise,
    outlook,
    posterior,
    prior,
    prospect,
    repair,
    silence,
    told,
)
from analytics.options import DAY_US, DEFAULT, Options
from analytics.spd import Reals
from analytics.state import NOT_YET, State, begin, copied, klass
from analytics.tables import GEAR, LOCKED, RAN, RESTARTS, Fleet, Ints, Visit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
USED = ("run_up_s", "line_v", "close_deg", "off_s", "ran_s", "outdoor_c", "retry", "cooling")
"""What of a start all but the side channels are made from."""

REFITS_D = (7, 14, 28, 42, 56)
REFIT_EVERY_D = 28


def advance(state: State, fleet: Fleet, day: int, until: int | None = None) -> None:
    """Take in one day of the fleet, or the part of it up to and including an instant; days must rise by one.

    Parameters
    ----------
    state : changed in place
    day : days since 1970
    until : instant, microseconds since 1970 UTC; the end of the day by default
    """
    end = (day + 1) * DAY_US - 1
    until = end if until is None else min(until, end)
    state.day = day
    locked.turn(state.rate, day)
    silence.turn(state.activity, day)
    visits = [v for v in fleet.visits if day * DAY_US <= v.at <= until]
    rows = fleet.starts.rows(day)
    turn = np.zeros(rows.stop - rows.start, dtype=np.int64)
    for v in visits:
        low, high = np.searchsorted(fleet.starts.unit[rows], [v.unit, v.unit + 1])
        turn[low + np.searchsorted(fleet.starts.at[rows][low:high], v.at) : high] += 1
    turn[fleet.starts.at[rows] > until] = -1
    reports = _reports(fleet, day, until)
    sums: list[baseline.DaySums] = []
    for number in range(int(max([turn.max(initial=0), *_order(visits)])) + 1):
        if number:
            _visit(state, fleet, [v for v, n in zip(visits, _order(visits), strict=True) if n == number], day)
        pick = np.flatnonzero(turn == number) + rows.start
        if state.first_day < 0 and len(pick):
            state.first_day = day
        sums.append(_take(state, fleet, pick, day, reports if number == 0 else (reports[0][:0], reports[1][:0])))
    rests = fleet.decays
    part = slice(int(np.searchsorted(rests.day, day)), int(np.searchsorted(rests.day, day, side="right")))
    if until == end:
        channels.take_rests(state.side, rests, part, state.options)
    _close(state, fleet, sums, day)


def _reports(fleet: Fleet, day: int, until: int) -> tuple[Ints, Ints]:
    unit, at = fleet.lockouts
    part = slice(int(np.searchsorted(at, day * DAY_US)), int(np.searchsorted(at, until, side="right")))
    return unit[part], at[part]


def _order(visits: Sequence[Visit]) -> list[int]:
    """Return for each visit of a day its number among those of its unit, from 1."""
    count: dict[int, int] = {}
    out = []
    for v in visits:
        count[v.unit] = count.get(v.unit, 0) + 1
        out.append(count[v.unit])
    return out


def _visit(state: State, fleet: Fleet, visits: Sequence[Visit], day: int) -> None:
    units = np.array([v.unit for v in visits], dtype=np.int64)
    # What its run-up times never showed, they cannot show to be over either.
    shown = drift.excess(state.run_up, state.options, units)[0] > repair.SHOWN_ABOVE
    same = repair.goes_on(state.after, units, state.usable)
    state.flagged_before[units] = (state.drift.alarm[units] & shown) | (same & state.flagged_before[units])
    worked = np.array([set(v.work) != {"other"} for v in visits], dtype=bool)
    state.worked_at[units[worked]] = np.array([v.at for v in visits], dtype=np.int64)[worked]
    # Of a unit that had not started before nothing is known that the work could have changed.
    at = np.array([v.at for v in visits], dtype=np.int64)
    started = state.first_at[units] <= at
    repair.visit(state.after, state.run_up, units[started], at[started], state.usable, state.options)
    drift.clear(state.drift, units)
    locked.clear(state.rate, units, forget=True)
    baseline.forget_recent(state.run_up, units)
    anew = np.array([v.unit for v in visits if RESTARTS & set(v.work)], dtype=np.int64)
    _fit_kits(state, fleet, visits)
    _learn_anew(state, anew)
    _count_anew(state, anew[state.since_day[anew] < NOT_YET], day)


def _fit_kits(state: State, fleet: Fleet, visits: Sequence[Visit]) -> None:
    fitted = np.array([v.unit for v in visits if "start_kit_fitted" in v.work], dtype=np.int64)
    state.gear[fitted] = GEAR.index("relay_kit")
    state.run_up.klass[fitted] = klass(fleet, state.gear)[fitted]


def _learn_anew(state: State, units: Ints) -> None:
    baseline.restart(state.run_up, units)
    channels.restart(state.side, units)


def _count_anew(state: State, units: Ints, day: int) -> None:
    """Let the history of units begin anew on a day."""
    state.since_day[units] = day
    state.timed[units] = 0
    state.rate.starts[units] = 0
    state.restarted[units] = True


def _take(state: State, fleet: Fleet, pick: Ints, day: int, reports: tuple[Ints, Ints]) -> baseline.DaySums:
    starts, options = fleet.starts, state.options
    # A day without visits is one piece of the arrays, which need not be copied.
    rows = slice(int(pick[0]), int(pick[-1]) + 1) if len(pick) and pick[-1] - pick[0] == len(pick) - 1 else pick
    unit, at, is_locked = starts.unit[rows], starts.at[rows], starts.outcome[rows] == LOCKED
    field: dict[str, Reals] = {name: starts.measured[name][rows] for name in USED}
    opens = np.flatnonzero(np.diff(unit, prepend=-1))
    state.first_at[unit[opens]] = np.minimum(state.first_at[unit[opens]], at[opens])
    state.since_day[unit[opens]] = np.minimum(state.since_day[unit[opens]], day)
    field["off_s"] = _off_s(state, unit, at, field)
    first, lockouts = attempts.take(state.tries, unit, at, starts.outcome[rows], field["retry"], reports)
    silence.take(state.activity, day, unit, field["outdoor_c"], field["cooling"])
    used, alike = told.take(state.told, unit, field)
    met = (used["off_s"], used["outdoor_c"], used["line_v"], field["close_deg"])
    x = features.conditions(*met, fleet.reference_v[unit])
    timed = alike & (starts.outcome[rows] == RAN)
    # What is known of the drift before these starts: none of them is judged by itself.
    moved, moved_sd = np.zeros(fleet.size), np.zeros(fleet.size)
    moved[unit[opens]], moved_sd[unit[opens]] = drift.excess(state.run_up, options, unit[opens])
    run_up_s = np.where(timed, field["run_up_s"], np.nan)
    sums = _run_up(state, unit, x, run_up_s, field["close_deg"], moved, moved_sd)
    _rate(state, fleet, day, unit, x, starts.seq[rows], first, is_locked, moved)
    state.lockouts += len(lockouts)
    state.today.append(lockouts)
    outlook.take(state.sample, unit[first], at[first], *(values[first] for values in met))
    for name, (value, design) in channels.values(starts, rows, used, alike, fleet.reference_v).items():
        channels.take(state.side, name, unit, value, design, options)
    return sums


def _off_s(state: State, unit: Ints, at: Ints, field: dict[str, Reals]) -> Reals:
    """Return the rest before each start; where it was not sent it follows from the start before and how long it ran."""
    off_s = field["off_s"]
    if not np.isnan(off_s).any():
        return off_s
    before = np.roll(at, 1)
    first = np.diff(unit, prepend=-1) != 0
    before = np.where(first, np.maximum(state.tries.last_start_at[unit], attempts.NEVER // 2), before)
    derived = (at - before) / 1e6 - field["ran_s"]
    return np.where(np.isnan(off_s), np.where(derived >= 0, derived, np.nan), off_s)


def _run_up(
    state: State, unit: Ints, x: Floats, run_up_s: Reals, close_deg: Reals, moved: Floats, moved_sd: Floats
) -> baseline.DaySums:
    stream = state.run_up
    y = np.log(np.where(run_up_s > 0, run_up_s, np.nan).astype(np.float64))
    level = baseline.expected(stream.mean, unit, x)
    unsure = stream.level_var[:, 0] + moved_sd**2
    y, variance = noise.take(state.noise, unit, y, level, moved, unsure, ~np.isnan(close_deg))
    sums = baseline.day_sums(unit, x, y, 1.0 / variance, state.options.day_sd**2)
    baseline.add(stream, sums, state.options)
    state.timed[sums.unit] += sums.starts
    return sums


def _rate(
    state: State,
    fleet: Fleet,
    day: int,
    unit: Ints,
    x: Floats,
    seq: Ints,
    first: Bools,
    is_locked: Bools,
    excess: Floats,
) -> None:
    usable = state.usable
    gathering = repair.open_units(state.after, (day + 1) * DAY_US)
    # While a unit learns anew after a visit, what was normal for it before is the healthy reference.
    old = ~usable & state.after.known & gathering
    mean = repair.before(state.after, state.run_up.mean, old)
    level = baseline.expected(mean, unit, x)
    moved = np.where(usable, excess, 0.0)[unit]
    p, p_now = hazard.before_and_now(state.hazard, level, moved, x)
    locked.take(state.rate, day, unit, is_locked, first, p, p_now, usable)
    # Locked starts are learned from at the hardness that the unit has now, so that a drifted unit teaches what hard
    # starts do, and not that easy ones lock. Units that lock beyond their hardness teach nothing.
    hazard.take(state.hazard, level + moved, x, is_locked, seq, first & (usable & ~state.rate.alarm)[unit])
    bad = np.flatnonzero(first & is_locked)
    if len(bad):
        lately = outlook.part(state.sample, unit[bad])
        usual, have = outlook.conditions(lately, fleet.reference_v[unit[bad]]), outlook.there(lately)
        usual_level = np.einsum("nkp,np->nk", usual, mean[unit[bad]])
        clues = cause.clues_of_locked(state.hazard, x[bad], level[bad], usual, usual_level, have)
        np.add.at(state.rate.clues, unit[bad], clues)
    state.locked_first += len(bad)
    state.by_chance += float(np.sum(first)) * state.hazard.chance
    counts = np.flatnonzero(first & gathering[unit])
    if len(counts):
        np.add.at(state.after.locked, unit[counts], is_locked[counts].astype(np.float32))
        np.add.at(state.after.expected, unit[counts], p[counts].astype(np.float32))


def _close(state: State, fleet: Fleet, sums: Sequence[baseline.DaySums], day: int) -> None:
    """End a day: learn, test, and now and then fit the fleet's priors anew."""
    options = state.options
    silence.close(state.activity, day, state.first_at)
    whole = _last(sums)
    gathering = repair.open_units(state.after, (day + 1) * DAY_US)
    repair.take(state.after, whole, gathering)
    repair.close(state.after, gathering, options)
    _accept_other_fields(state, day)
    baseline.learn(state.run_up, day, state.since_day, options)
    channels.learn(state.side, day, state.since_day, options)
    usable = state.usable
    drift.follow(state.drift, state.run_up, whole, day, usable, options)
    nats = joint.weigh(
        state.drift,
        state.run_up,
        state.side,
        cause.log_shares(state.gear, fleet.metering),
        state.rate.score,
        usable,
        options,
    )
    drift.judge(state.drift, nats, whole.unit, day, usable, options)
    locked.follow(state.rate, day, usable, options)
    ahead.happened(state.record, day, np.concatenate([*state.today, np.zeros(0, dtype=np.int64)]))
    state.today = []
    age = day - state.first_day + 1
    if state.first_day >= 0 and age % ahead.HORIZON_D == 0:
        known = np.flatnonzero(usable & ~attempts.down(state.tries))
        night = (day + 1) * DAY_US
        share = posterior.causes(state, fleet, posterior.worth_asking(state, night), night)
        week, _ = prospect.rows(state, prospect.look(state, fleet, night), 1.0 - share[:, -1], night)
        ahead.note(state.record, day, known, week[known])
    if state.first_day >= 0 and (age in REFITS_D or (age > REFITS_D[-1] and age % REFIT_EVERY_D == 0)):
        _refit(state)


def _last(sums: Sequence[baseline.DaySums]) -> baseline.DaySums:
    """Return the sums of a day: of a unit that was visited on it only what came after the last visit is tested."""
    whole = sums[-1]
    for part in reversed(sums[:-1]):
        new = ~np.isin(part.unit, whole.unit)
        both = (
            np.concatenate([a, b[new]])
            for a, b in (
                (whole.unit, part.unit),
                (whole.n, part.n),
                (whole.m, part.m),
                (whole.starts, part.starts),
            )
        )
        whole = baseline.DaySums(*both)
    return whole


def _accept_other_fields(state: State, day: int) -> None:
    """Let units whose logger has come to tell other conditions learn anew; those that were learning lose no days."""
    learned = state.usable
    other = told.changed(state.told, learned, ~(state.drift.alarm | state.rate.alarm))
    _learn_anew(state, other)
    _count_anew(state, other[learned[other]], day + 1)


def _refit(state: State) -> None:
    noise.fit(state.noise)
    ahead.fit(state.record)
    hazard.fit(state.hazard)
    for stream in (state.run_up, *(group.stream for group in state.side.values())):
        baseline.renew(stream, tuple(prior.fit(stream, k) for k in range(len(stream.priors))))


def run(
    fleet: Fleet, instants: Sequence[int], options: Options = DEFAULT, state: State | None = None
) -> Iterator[tuple[int, State]]:
    """Yield the state at each of the rising instants (microseconds since 1970 UTC).

    The state yielded is live: read it before asking for the next. One that is given to begin from is used up.
    """
    if state is None:
        state = begin(fleet, options)
    for instant in instants:
        today = instant // DAY_US
        if state.day < 0:
            first = int(fleet.starts.day[0]) if len(fleet.starts.day) else today
            state.day = min(first, today) - 1
            _before_the_first_start(state, fleet)
        while state.day < today - 1:
            advance(state, fleet, state.day + 1)
        if _anything(fleet, today, instant):
            # Where no other instant of the day follows, nothing goes on from its beginning.
            part = state if instant == instants[-1] else copied(state)
            advance(part, fleet, today, instant)
            yield instant, part
        else:
            yield instant, state


def _before_the_first_start(state: State, fleet: Fleet) -> None:
    """Take in what was done and told before any unit of the fleet had started: kits fitted, lockouts not over."""
    begins = (state.day + 1) * DAY_US
    _fit_kits(state, fleet, [v for v in fleet.visits if v.at < begins])
    none = np.zeros(0, dtype=np.int64)
    unit, at = fleet.lockouts
    early = at < begins
    attempts.take(state.tries, none, none, none.astype(np.int8), none.astype(np.float32), (unit[early], at[early]))


def _anything(fleet: Fleet, day: int, until: int) -> bool:
    """Return whether a day has brought anything up to an instant."""
    begins = day * DAY_US
    rows = fleet.starts.rows(day)
    return (
        bool(np.any(fleet.starts.at[rows] <= until))
        or any(begins <= v.at <= until for v in fleet.visits)
        or bool(np.any((fleet.lockouts[1] >= begins) & (fleet.lockouts[1] <= until)))
    )
