"""Starts out of a power log: on a real heat pump's day in the laboratory, and on logs of known content."""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import powerlog
from ingest.errors import BadInputError
from ingest.frames import frame
from ingest.powerlog import starts

MEASURED = Path(__file__).parents[1] / "data" / "measured" / "heatpump_lab_1min.csv.gz"


def lab() -> tuple[pd.DataFrame, list[powerlog.Rejected]]:
    return starts(
        pd.read_csv(MEASURED),
        "case",
        ["day", "time"],
        "outdoor_unit_w",
        "oat_c",
        at_format="%m/%d %H:%M",
        year=2022,
        zone="UTC",
        path=MEASURED.name,
    )


def counted_plainly() -> list[tuple[str, int, int | None, int | None, float]]:
    """Count the crossings of 400 W upward row by row: case, minute of the day, off and run-before minutes, outdoor."""
    found = []
    day: tuple[str, str] | None = None
    with gzip.open(MEASURED, "rt") as file:
        for row in csv.DictReader(file):
            on = float(row["outdoor_unit_w"]) >= 400
            if (row["case"], row["day"]) != day:
                day, was_on, off_min, run_min, last_run_min = (row["case"], row["day"]), on, None, None, None
                continue
            if on and not was_on:
                hours, minutes = row["time"].split(":")
                found.append((row["case"], 60 * int(hours) + int(minutes), off_min, last_run_min, float(row["oat_c"])))
                run_min = 0
            if not on and was_on:
                off_min, last_run_min = 0, run_min
            if off_min is not None:
                off_min += 1
            if on and run_min is not None:
                run_min += 1
            was_on = on
    return found


@pytest.mark.published
def test_the_starts_of_a_real_heat_pump_are_those_counted_row_by_row() -> None:
    # HILFT-ASHP-DEMO (NIST hardware-in-the-loop tests), see tests/data/measured/SOURCES.md; counted by the plain loop.
    table, rejected = lab()
    plain = sorted(counted_plainly())
    assert rejected == []
    assert len(table) == len(plain) == 1253
    minute = table["at"].dt.hour * 60 + table["at"].dt.minute
    assert table["unit"].tolist() == [p[0] for p in plain]
    assert minute.tolist() == [p[1] for p in plain]
    off_min = [None if np.isnan(s) else s / 60 for s in table["off_s"]]
    assert off_min == [p[2] for p in plain]
    ran_min = [None if np.isnan(s) else s / 60 for s in table["ran_s"]]
    assert ran_min == [p[3] for p in plain]
    assert table["outdoor_c"].tolist() == [p[4] for p in plain]


def test_a_sample_that_caught_the_inrush_of_a_start_is_not_its_running_power() -> None:
    table, _ = lab()
    (start,) = table[(table["unit"] == "Atlanta/Shed/DenseOcc") & (table["at"] == "2022-08-26T05:03Z")].to_dict(
        "records"
    )
    assert start["outcome"] == "ran"
    assert 1850 < start["run_w"] < 1950  # the rows of the run read 1883 to 1950 W, the sample at 05:03 6984 W
    assert table["run_w"].max() < 3000


def test_the_table_is_one_of_starts() -> None:
    table, _ = lab()
    assert [c for c in table.columns if c != "extra"] == list(frame("starts", {}).columns)
    assert set(table["extra"]) == {'{"source":"power_log"}'}
    assert (table.groupby("unit")["seq"].diff().dropna() > 0).all()


def log(
    watts: list[float], step_s: float = 60.0, unit: str = "u-0001", begin: str = "2031-01-14T12:00Z"
) -> pd.DataFrame:
    at = pd.date_range(begin, periods=len(watts), freq=pd.Timedelta(seconds=step_s))
    return pd.DataFrame({"unit": unit, "at": at, "w": watts, "c": np.arange(len(watts)) / 10.0})


RUN = [0.0] * 5 + [2000.0] * 10
NORMAL = RUN * 6 + [0.0] * 5


def test_a_surge_after_which_the_unit_is_off_is_a_locked_start() -> None:
    table, _ = starts(log([*NORMAL, 7200.0, *[0.0] * 4, *RUN]), "unit", "at", "w")
    assert table["outcome"].tolist() == ["ran"] * 6 + ["locked", "ran"]
    assert np.isnan(table["run_w"].iloc[6])
    assert table["off_s"].iloc[7] == 9 * 60.0
    assert table["ran_s"].iloc[7] == 60.0


def test_a_surge_with_which_the_log_ends_is_not_told() -> None:
    table, _ = starts(log([*NORMAL, 7200.0]), "unit", "at", "w")
    assert table["outcome"].tolist() == ["ran"] * 6 + [None]


def test_one_row_at_running_power_is_a_short_run() -> None:
    table, _ = starts(log([*NORMAL, 1900.0, 0.0, 0.0]), "unit", "at", "w")
    assert table["outcome"].tolist() == ["ran"] * 7
    assert np.isnan(table["run_w"].iloc[6])


def test_a_log_in_which_nothing_ever_settles_tells_no_outcome() -> None:
    table, _ = starts(log([0.0, 7000.0, 0.0, 0.0] * 3), "unit", "at", "w")
    assert table["outcome"].tolist() == [None] * 3


def test_in_a_log_of_one_row_a_second_a_stalled_rotor_is_seen_for_its_seconds() -> None:
    second = [0.0] * 30 + [6500.0] + [2000.0] * 300 + [0.0] * 30 + [6900.0, 7000.0, 7000.0, 6800.0, 3000.0] + [0.0] * 60
    table, _ = starts(log(second, step_s=1.0), "unit", "at", "w")
    assert table["outcome"].tolist() == ["ran", "locked"]
    assert table["off_s"].tolist()[1] == 30.0
    assert table["run_w"].tolist()[0] == 2000.0


def test_a_blip_of_a_second_is_neither_a_run_nor_a_locked_rotor() -> None:
    table, _ = starts(
        log([0.0] * 30 + [2000.0] * 300 + [0.0] * 30 + [1200.0] + [0.0] * 60, step_s=1.0), "unit", "at", "w"
    )
    assert table["outcome"].tolist() == ["ran", None]


def test_a_unit_that_is_on_in_the_first_row_has_not_started_there() -> None:
    table, _ = starts(log([2000.0] * 5 + RUN), "unit", "at", "w")
    assert len(table) == 1
    assert table["off_s"].tolist() == [300.0]
    assert np.isnan(table["ran_s"].iloc[0])


def test_the_off_time_across_missing_rows_is_not_known() -> None:
    whole = log(NORMAL)
    table, _ = starts(whole.drop(index=range(32, 40)), "unit", "at", "w")  # the third start's rows and more
    full, _ = starts(whole, "unit", "at", "w")
    assert len(table) == len(full) - 1
    assert np.isnan(table["off_s"].iloc[0])
    after = table[table["at"] == whole["at"].iloc[50]]
    assert after["off_s"].tolist() == [300.0]
    assert after["ran_s"].isna().all()  # it ran before, but for how long is not known


def test_one_missing_row_changes_nothing() -> None:
    table, _ = starts(log(NORMAL).drop(index=[7, 33]), "unit", "at", "w")
    assert table["off_s"].dropna().tolist() == [300.0] * 5


def test_units_and_rows_may_stand_in_any_order() -> None:
    both = pd.concat([log(NORMAL, unit="b"), log([0.0, *NORMAL], unit="a")])
    table, _ = starts(both, "unit", "at", "w", "c")
    mixed, _ = starts(both.sample(frac=1.0, random_state=1), "unit", "at", "w", "c")
    pd.testing.assert_frame_equal(table, mixed)
    assert table["unit"].tolist() == ["a"] * 6 + ["b"] * 6


def test_overlapping_logs_give_the_same_start_the_same_key() -> None:
    whole = log(NORMAL)
    first, _ = starts(whole.iloc[:60], "unit", "at", "w")
    second, _ = starts(whole.iloc[30:], "unit", "at", "w")
    shared = first.merge(second, on="at", suffixes=("", "_again"))
    assert len(shared) > 0
    assert shared["seq"].tolist() == shared["seq_again"].tolist()


def test_rows_that_cannot_be_used_are_named_and_the_others_kept() -> None:
    raw = log(NORMAL).astype({"at": str, "w": object, "c": object, "unit": object})
    raw.loc[3, "w"] = "off"
    raw.loc[4, "at"] = "noon"
    raw.loc[21, "unit"] = None
    raw.loc[22, "at"] = raw.loc[23, "at"]
    raw.loc[35, "c"] = "warm"
    raw.loc[36, "w"] = np.inf
    table, rejected = starts(raw, "unit", "at", "w", "c", path="log.csv")
    assert [str(r) for r in rejected] == [
        "log.csv, line 5: w: must be a number of watts, not 'off'",
        "log.csv, line 6: at: must be a time, not 'noon'",
        "log.csv, line 23: unit: empty; each row needs its unit",
        "log.csv, line 25: at: must rise: this unit has a row of that instant, not '2031-01-14 12:23:00+00:00'",
        "log.csv, line 37: c: must be °C (the row is used without it), not 'warm'",
        "log.csv, line 38: w: must be a number of watts, not 'inf'",
    ]
    assert len(table) == 6
    assert np.isnan(table.loc[table["at"] == "2031-01-14T12:35Z", "outdoor_c"]).all()


def test_an_empty_temperature_is_no_complaint() -> None:
    raw = log(NORMAL)
    raw.loc[5, "c"] = np.nan
    table, rejected = starts(raw, "unit", "at", "w", "c")
    assert rejected == []
    assert np.isnan(table["outdoor_c"].iloc[0])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ({"power": "watts"}, "log.csv: no column 'watts'; it has unit, at, w, c"),
        ({"outdoor": "oat"}, "log.csv: no column 'oat'"),
        ({"threshold_w": 0.0}, "threshold: 0 W must be above 0"),
    ],
)
def test_bad_use_is_one_line(call: dict[str, object], says: str) -> None:
    use: dict[str, object] = {"unit": "unit", "at": "at", "power": "w", "path": "log.csv"} | call
    with pytest.raises(BadInputError) as error:
        starts(log(NORMAL), **use)  # type: ignore[arg-type]
    assert str(error.value).startswith(says)


def test_a_log_slower_than_a_row_a_minute_is_refused() -> None:
    with pytest.raises(BadInputError, match="rows are 300 s apart"):
        starts(log(NORMAL, step_s=300.0), "unit", "at", "w")


def test_a_log_of_which_no_row_can_be_used_says_why() -> None:
    with pytest.raises(BadInputError, match=r"no row can be used; log\.csv, line 2: w: must be a number"):
        starts(log(NORMAL).assign(w="x"), "unit", "at", "w", path="log.csv")


@given(st.lists(st.tuples(st.integers(1, 30), st.integers(1, 30)), min_size=1, max_size=20))
def test_off_and_run_times_are_those_the_log_was_made_of(cycles: list[tuple[int, int]]) -> None:
    watts = [w for off, on in cycles for w in [0.0] * off + [1500.0] * on] + [0.0]
    table, rejected = starts(log(watts), "unit", "at", "w")
    assert rejected == []
    assert len(table) == len(cycles)
    assert table["off_s"].iloc[1:].tolist() == [60.0 * off for off, _ in cycles[1:]]
    assert table["ran_s"].iloc[1:].tolist() == [60.0 * on for _, on in cycles[:-1]]
    assert np.isnan(table["off_s"].iloc[0])
