from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest

from analytics import baseline, cause, channels, core, drift, features, joint, options
from analytics.options import DAY_US, DEFAULT, Options
from analytics.tables import GEAR, METERING, Tables, fleet
from ingest.errors import BadInputError

P = features.WIDTH


def _learned(units: int, excess: float, rng: np.random.Generator) -> tuple[drift.Drift, baseline.Stream]:
    """Units with a month of baseline, then ten days of starts that take longer by a factor."""
    prior = baseline.prior_before_data(np.zeros(P), np.full(P, 0.01), np.full(P, 0.1), 16)
    stream, state = baseline.begin(np.zeros(units, dtype=np.int64), prior), drift.begin(units)
    unit, since = np.repeat(np.arange(units), 12), np.zeros(units, dtype=np.int64)
    for day in range(38):
        x = features.conditions(
            rng.uniform(200, 7200, len(unit)),
            rng.uniform(-15, 15, len(unit)),
            np.full(len(unit), 240.0),
            np.full(len(unit), np.nan),
        )
        y = rng.normal(0, 0.1, len(unit)) + (excess if day >= 28 else 0.0)
        sums = baseline.day_sums(unit, x, y, np.full(len(unit), 100.0), DEFAULT.day_sd**2)
        baseline.add(stream, sums, DEFAULT)
        if day < 28:
            baseline.learn(stream, day, since, DEFAULT)
        drift.follow(state, stream, sums, day, stream.base_blocks > 0, DEFAULT)
    return state, stream


def _weigh(
    state: drift.Drift, stream: baseline.Stream, side: dict[str, channels.Group], locked: float = 0.0
) -> np.ndarray:
    units = len(state.alarm)
    plain = np.full(units, GEAR.index("none"))
    shares = cause.log_shares(plain, np.full(units, METERING.index("txv")))
    return joint.weigh(state, stream, side, shares, np.full(units, locked), stream.base_blocks > 0, DEFAULT)


def test_slower_starts_speak_for_a_fault_and_sound_ones_do_not() -> None:
    state, stream = _learned(40, 0.3, np.random.default_rng(1))
    assert np.median(_weigh(state, stream, channels.begin(40))) > DEFAULT.drift_nats
    state, stream = _learned(40, 0.0, np.random.default_rng(2))
    assert np.quantile(_weigh(state, stream, channels.begin(40)), 0.9) < 1.0


def test_after_a_visit_the_starts_of_one_day_say_nothing_and_those_of_two_do() -> None:
    rng = np.random.default_rng(8)
    state, stream = _learned(40, 0.0, rng)
    baseline.forget_recent(stream, np.arange(40))
    said = []
    for day in (38, 39):
        x = features.conditions(np.full(480, 900.0), np.zeros(480), np.full(480, 240.0), np.full(480, np.nan))
        y = rng.normal(0.5, 0.1, 480)
        sums = baseline.day_sums(np.repeat(np.arange(40), 12), x, y, np.full(480, 100.0), DEFAULT.day_sd**2)
        baseline.add(stream, sums, DEFAULT)
        drift.follow(state, stream, sums, day, stream.base_blocks > 0, DEFAULT)
        said.append(_weigh(state, stream, channels.begin(40)))
    assert not said[0].any()
    assert np.median(said[1]) > DEFAULT.drift_nats


def test_faster_starts_say_nothing_whatever_else_has_moved() -> None:
    state, stream = _learned(40, -0.2, np.random.default_rng(3))
    assert not _weigh(state, stream, channels.begin(40), locked=9.0).any()


def _fitted(units: int, name: str, moved: float) -> dict[str, channels.Group]:
    side = channels.begin(units)
    unit, since = np.repeat(np.arange(units), 12), np.zeros(units, dtype=np.int64)
    group = next(group for group, names in channels.GROUPS.items() if name in names)
    x = np.zeros((len(unit), side[group].stream.base.diagonal.shape[1]))
    x[:, :2] = 1.0
    for day in range(38):
        value = np.full((len(unit), len(channels.GROUPS[group])), np.nan)
        value[:, channels.GROUPS[group].index(name)] = channels.CENTRE[name] + (moved if day >= 28 else 0.0)
        channels.take(side, group, unit, value, x, DEFAULT)
        if day < 28:
            baseline.learn(side[group].stream, day, since, DEFAULT)
    return side


def test_a_unit_that_has_often_started_quicker_has_to_be_slower_by_more() -> None:
    state, stream = _learned(40, 0.3, np.random.default_rng(1))
    steady = _weigh(state, stream, channels.begin(40))
    state.stray[:] = 3.0
    assert np.all(drift.restless(state) > 0.6)
    assert np.all(_weigh(state, stream, channels.begin(40)) < steady)


def test_a_channel_that_moves_with_a_fault_adds_and_one_that_stays_takes_away() -> None:
    state, stream = _learned(40, 0.25, np.random.default_rng(4))
    alone = _weigh(state, stream, channels.begin(40))
    moved = _weigh(state, stream, _fitted(40, "power_factor", -0.05))
    stayed = _weigh(state, stream, _fitted(40, "power_factor", 0.0))
    slower = alone > 0
    assert slower.mean() > 0.5
    assert np.all(moved[slower] > alone[slower])
    assert np.median(stayed[slower] - alone[slower]) < 0


def test_locked_starts_add_what_chance_alone_does_not_often_give() -> None:
    state, stream = _learned(20, 0.25, np.random.default_rng(5))
    side = channels.begin(20)
    some = _weigh(state, stream, side) > 0
    free = joint.LOCKED_FREE_NATS
    assert _weigh(state, stream, side, locked=0.9 * free)[some] == pytest.approx(_weigh(state, stream, side)[some])
    more = _weigh(state, stream, side, locked=free + 2.0)
    assert more[some] == pytest.approx(_weigh(state, stream, side)[some] + 2.0)


def test_what_speaks_against_a_fault_takes_away_from_what_locked_starts_say() -> None:
    # Sound level, a bit above the gate: chance locks some starts of every sound unit.
    state, stream = _learned(60, 0.0, np.random.default_rng(6))
    state.z[:] = 1.5 * joint.GATE_SD * state.scale
    with_few = _weigh(state, stream, channels.begin(60), locked=joint.LOCKED_FREE_NATS + 1.0)
    assert with_few.mean() < 0.1
    assert np.all(_weigh(state, stream, channels.begin(60), locked=joint.LOCKED_FREE_NATS + 6.0) > with_few)


def test_pressures_seen_to_equalise_slower_speak_for_a_fault_before_starts_are_slower() -> None:
    state, stream = _learned(40, 0.0, np.random.default_rng(7))
    state.z[:] = 0.0
    assert not _weigh(state, stream, _fitted(40, "equalising", 0.0)).any()
    slower = _weigh(state, stream, _fitted(40, "equalising", 0.6))
    assert np.median(slower) > DEFAULT.drift_nats
    # Not where they equalise quicker.
    assert not _weigh(state, stream, _fitted(40, "equalising", -0.6)).any()


def test_fewer_allowed_false_alarms_raise_both_thresholds_and_nonsense_is_refused() -> None:
    strict = Options(false_alarms_per_unit_year=0.01)
    assert strict.drift_nats == pytest.approx(DEFAULT.drift_nats + np.log(10) / options.FALL_A_NAT)
    assert strict.locked_nats > DEFAULT.locked_nats
    with pytest.raises(BadInputError, match="false_alarms_per_unit_year"):
        Options(false_alarms_per_unit_year=0.0)


def test_units_with_made_faults_are_told_from_sound_ones_by_nats(made: ModuleType) -> None:
    built = made.fleet(40, 100, 3, faulty=0.5)
    whole = fleet(Tables(starts=built.tables.starts, units=built.tables.units))
    for _, state in core.run(whole, [(int(whole.starts.day[-1]) + 1) * DAY_US]):
        nats = state.drift.nats.copy()
    faulty = np.array([built.cause[name] is not None for name in whole.names])
    assert np.median(nats[faulty]) > DEFAULT.drift_nats > 0.5 > np.median(nats[~faulty])


@pytest.mark.parametrize("outdoor_c", [-10.0, np.nan])
def test_short_rests_that_do_more_say_less_in_cold_or_where_no_temperature_is_told(outdoor_c: float) -> None:
    # Common practice, no source: pressures fall slower in cold, and from a greater difference.
    assert _after_short_rests(outdoor_c) < 0.5 * _after_short_rests(12.0) > DEFAULT.drift_nats


def _after_short_rests(outdoor_c: float) -> float:
    """Nats of units to which rests come to do half more than they did, at an outdoor temperature if it is told."""
    prior = baseline.prior_before_data(np.zeros(P), np.full(P, 0.01), np.full(P, 0.3), 16)
    stream, state, rng = baseline.begin(np.zeros(40, dtype=np.int64), prior), drift.begin(40), np.random.default_rng(5)
    unit, since = np.repeat(np.arange(40), 12), np.zeros(40, dtype=np.int64)
    for day in range(38):
        off_s = rng.choice([300.0, 360.0, 3600.0], len(unit))
        air_c = np.full(len(unit), outdoor_c) if day >= 28 else rng.uniform(-20, 14, len(unit)) + 0.0 * outdoor_c
        x = features.conditions(off_s, air_c, rng.normal(240.0, 2.0, len(unit)), np.full(len(unit), np.nan))
        more = 1.0 if day < 28 else 1.5
        y = rng.normal(0, 0.1, len(unit)) + 2.0 * more * x[:, features.REST]
        sums = baseline.day_sums(unit, x, y, np.full(len(unit), 100.0), DEFAULT.day_sd**2)
        baseline.add(stream, sums, DEFAULT)
        if day < 28:
            baseline.learn(stream, day, since, DEFAULT)
        drift.follow(state, stream, sums, day, stream.base_blocks > 0, DEFAULT)
    return float(np.median(_weigh(state, stream, channels.begin(40))))
