"""What looks like a fault and is none: it moves what it should, leaves the rest, and locks nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from simulator import happened, nameplate, use
from simulator.fleet import BATCH, Fleet, simulate

DAYS = 100


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(BATCH, DAYS, 13, faulty=0.0)


@pytest.fixture(scope="module")
def first_tries(fleet: Fleet) -> pd.DataFrame:
    starts = fleet.starts[(fleet.starts["retry"] == 0) & (fleet.starts["outcome"] == "ran")]
    known = fleet.truth[["unit", "look_alike", "onset"]].assign(onset=pd.to_datetime(fleet.truth["onset"], utc=True))
    return starts.merge(known, on="unit").assign(day=starts["at"].dt.floor("D"))


def units_with(fleet: Fleet, look_alike: str) -> list[str]:
    found: list[str] = fleet.truth.loc[fleet.truth["look_alike"] == look_alike, "unit"].tolist()
    assert found, look_alike
    return found


def change(first_tries: pd.DataFrame, unit: str, column: str, span_d: float = 12.0) -> float:
    """Return what the days after a look-alike's onset have over those before, as peers without one have not."""
    onset = first_tries.loc[first_tries["unit"] == unit, "onset"].iloc[0]
    near = first_tries[(first_tries["at"] - onset).abs() < pd.Timedelta(days=span_d)]
    ratio = (
        near[near["at"] >= onset].groupby("unit")[column].median()
        / near[near["at"] < onset].groupby("unit")[column].median()
    )
    plain = first_tries.loc[first_tries["look_alike"].isna(), "unit"].unique()
    return float(ratio[unit] / ratio[ratio.index.isin(plain)].median())


def test_every_look_alike_occurs_and_none_of_them_makes_a_unit_lock_out(fleet: Fleet) -> None:
    assert set(fleet.truth["look_alike"].dropna()) == {
        "thermostat_changed",
        "sensor_recalibrated",
        "utility_voltage_step",
        "wander",
    }
    assert (fleet.truth["cause"] == "none").all()
    assert fleet.events.empty
    assert max(day["p"] for days in fleet.truth["lockout_probability"] for day in days) < 0.01


def test_a_changed_thermostat_makes_more_starts_and_more_short_rests(fleet: Fleet, first_tries: pd.DataFrame) -> None:
    counted = first_tries.assign(
        a_day=first_tries.groupby(["unit", "day"])["seq"].transform("count"), short=first_tries["off_s"] < 400
    )
    for unit in units_with(fleet, "thermostat_changed"):
        assert change(counted, unit, "a_day") > 1.2
        mine = counted[counted["unit"] == unit]
        after = mine["at"] >= mine["onset"]
        assert mine[after]["short"].mean() > 1.5 * mine[~after]["short"].mean()


def test_a_recalibrated_sensor_moves_currents_and_not_the_run_up(fleet: Fleet, first_tries: pd.DataFrame) -> None:
    for unit in units_with(fleet, "sensor_recalibrated"):
        assert change(first_tries, unit, "peak_a") == pytest.approx(1.06, abs=0.02)
        assert change(first_tries, unit, "run_a") == pytest.approx(1.06, abs=0.03)
        assert change(first_tries, unit, "run_up_s") == pytest.approx(1.0, abs=0.1)


def test_a_step_of_the_utilitys_voltage_moves_the_voltage_by_two_or_three_per_cent(
    fleet: Fleet, first_tries: pd.DataFrame
) -> None:
    seen = [change(first_tries, unit, "line_v") for unit in units_with(fleet, "utility_voltage_step")]
    known = [step for step in seen if np.isfinite(step)]
    assert known
    assert all(0.01 < abs(step - 1) < 0.04 for step in known)


def test_a_restless_unit_wanders_twice_as_far_as_others_and_comes_back() -> None:
    # Benign wander comes as a change of inertia, with which run-up time goes nearly in proportion.
    days, count = 200, 60
    units = nameplate.draw(0, count, np.random.default_rng(1))
    calls = use.schedule(
        np.full((count, 24 * days), -5.0), use.habits(count, np.random.default_rng(2)), np.random.default_rng(3)
    )
    wander: dict[bool, np.ndarray] = {}
    for restless in (False, True):
        noise = happened.draw(units, calls, days, np.full(count, restless), np.random.default_rng(4))
        day = (calls.at_s // 86_400).astype(int)
        table = pd.DataFrame({"unit": calls.unit, "day": day, "ln": np.log(noise.inertia)})
        wander[restless] = table.pivot_table(index="day", columns="unit", values="ln").to_numpy()
    # An effect of each day, 2 %, comes on top of the slow wander of 3 or 7 %.
    assert wander[False].std() == pytest.approx(np.hypot(0.03, 0.02), rel=0.15)
    assert wander[True].std() == pytest.approx(np.hypot(0.07, 0.02), rel=0.15)
    assert wander[True].mean(axis=0).std() < 0.7 * 0.07  # of 200 days, with a memory of 20: 0.45 to be expected
    slow = wander[True][40:] * wander[True][:-40]
    assert slow.mean() < 0.3 * 0.07**2


def test_the_first_cold_of_the_year_slows_most_units_starts_by_some_per_cent(first_tries: pd.DataFrame) -> None:
    known = first_tries[first_tries["outdoor_c"].notna() & first_tries["look_alike"].isna()]
    known = known.assign(ln=np.log(known["run_up_s"].clip(upper=1.0)))
    cold = known[known["outdoor_c"] < -8].groupby("unit")["ln"].mean()
    mild = known[known["outdoor_c"] > 4].groupby("unit")["ln"].mean()
    slower = (cold - mild).dropna()
    assert 0.005 < slower.median() < 0.1
    assert (slower > 0).mean() > 0.7
