from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analytics.tables import GEAR, METERING, Tables, decay_s, fleet


def _starts(rows: list[tuple[str, int, str]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["unit", "seq", "at"]).assign(outcome="ran", run_up_s=0.2)
    frame["at"] = pd.to_datetime(frame["at"], utc=True).dt.as_unit("us")
    return frame


def test_starts_stand_by_day_unit_and_instant_with_doubles_dropped() -> None:
    rows = [
        ("b", 2, "2031-01-01T10:00Z"),
        ("a", 1, "2031-01-02T01:00Z"),
        ("b", 1, "2031-01-01T09:00Z"),
        ("a", 0, "2031-01-01T23:00Z"),
        ("b", 1, "2031-01-01T09:00Z"),
    ]
    got = fleet(Tables(starts=_starts(rows)))
    assert got.names == ("a", "b")
    assert got.starts.unit.tolist() == [0, 1, 1, 0]
    assert got.starts.seq.tolist() == [0, 1, 2, 1]


def test_numbers_have_the_precision_of_the_store() -> None:
    got = fleet(Tables(starts=_starts([("a", 0, "2031-01-01T00:00Z")])))
    assert got.starts.measured["run_up_s"].dtype == np.float32


def test_nameplates_are_read_and_what_is_missing_is_a_class_of_its_own() -> None:
    units = pd.DataFrame(
        {"unit": ["a", "b"], "metering": ["eev", None], "start_gear": ["ptc", None], "volts": [230.0, np.nan]}
    )
    got = fleet(Tables(starts=_starts([("c", 0, "2031-01-01T00:00Z")]), units=units))
    assert got.metering.tolist() == [METERING.index("eev"), len(METERING), len(METERING)]
    assert got.gear.tolist() == [GEAR.index("ptc"), len(GEAR), len(GEAR)]
    assert got.reference_v.tolist() == [230.0, 240.0, 240.0]
    assert got.listed.tolist() == [True, True, False]


@pytest.mark.parametrize("tau_s", [30.0, 90.0, 300.0])
def test_the_decay_constant_of_an_exponential_is_found(tau_s: float) -> None:
    # Newton's law of decay, exact: 1700 kPa falling as exp(-t / tau).
    t = np.arange(0.0, 3 * tau_s, tau_s / 10)
    assert decay_s(t, 1700 * np.exp(-t / tau_s)) == pytest.approx(tau_s, rel=1e-9)


def test_what_does_not_decay_or_is_too_short_has_no_constant() -> None:
    assert math.isnan(decay_s(np.arange(5.0), np.full(5, 800.0)))
    assert math.isnan(decay_s(np.arange(2.0), np.array([900.0, 500.0])))
    assert math.isnan(decay_s(np.arange(3.0), np.array([np.nan] * 3)))


def test_events_visits_and_forecasts_of_unknown_units_are_left_aside() -> None:
    at = pd.to_datetime(["2031-01-01T00:00Z"], utc=True)
    got = fleet(
        Tables(
            starts=_starts([("a", 0, "2031-01-01T00:00Z")]),
            events=pd.DataFrame({"unit": ["z"], "at": at, "seq": [1], "event": ["lockout"]}),
            visits=pd.DataFrame({"unit": ["z"], "at": at, "work": [["other"]]}),
            forecasts=pd.DataFrame(
                {"site": ["s"], "issued": at, "hours": [[{"at": "2031-01-01T01:00:00+00:00", "outdoor_c": -3.0}]]}
            ),
        )
    )
    assert len(got.lockouts[0]) == 0
    assert got.visits == ()
    assert got.forecasts["s"][0].outdoor_c.tolist() == [-3.0]
