"""Times as loggers write them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from ingest.errors import BadInputError
from ingest.powertime import instants


def read(*texts: str, units: list[str] | None = None, **how: object) -> list[str | None]:
    frame = pd.DataFrame({"at": list(texts)})
    times, bad = instants(frame, ["at"], pd.Series(units or ["u"] * len(texts)), **how)  # type: ignore[arg-type]
    assert np.isnat(times).tolist() == bad.tolist()
    return [None if np.isnat(t) else str(t.astype("datetime64[m]")) for t in times]


def test_iso_8601_with_an_offset_needs_no_zone() -> None:
    assert read("2031-01-14T05:00:00-07:00", "2031-01-14T12:01Z") == ["2031-01-14T12:00", "2031-01-14T12:01"]


def test_local_times_are_taken_in_the_zone_given() -> None:
    assert read("2031-01-14 05:00", zone="America/Denver") == ["2031-01-14T12:00"]


def test_midnight_as_24_00_is_the_end_of_the_day() -> None:
    times = read("08/31 23:59", "08/31 24:00", "09/01 00:01", at_format="%m/%d %H:%M", year=2022, zone="UTC")
    assert times == ["2022-08-31T23:59", "2022-09-01T00:00", "2022-09-01T00:01"]
    assert read("2022-12-31T24:00:00", zone="UTC") == ["2023-01-01T00:00"]
    assert read("2022-12-31 24:01", zone="UTC") == [None]


def test_day_and_time_may_stand_in_two_columns() -> None:
    frame = pd.DataFrame({"day": ["08/26"], "time": ["24:00"]})
    times, _ = instants(frame, ["day", "time"], pd.Series(["u"]), at_format="%m/%d %H:%M", year=2022, zone="UTC")
    assert str(times[0]) == "2022-08-27T00:00:00.000000"


def test_the_year_turns_between_december_and_january_of_each_unit() -> None:
    texts = ["12/31 23:59", "12/31 24:00", "12/31 12:00", "01/01 00:01", "02/29 12:00"]
    times = read(*texts, units=["a", "a", "b", "a", "a"], at_format="%m/%d %H:%M", year=2023, zone="UTC")
    assert times == ["2023-12-31T23:59", "2024-01-01T00:00", "2023-12-31T12:00", "2024-01-01T00:01", "2024-02-29T12:00"]


def test_days_that_stand_out_of_order_do_not_turn_the_year() -> None:
    times = read("08/26 12:00", "01/20 12:00", at_format="%m/%d %H:%M", year=2022, zone="UTC")
    assert times == ["2022-08-26T12:00", "2022-01-20T12:00"]


def test_the_29th_of_february_of_a_common_year_is_no_day() -> None:
    assert read("02/29 12:00", at_format="%m/%d %H:%M", year=2023, zone="UTC") == [None]


def test_an_hour_that_the_clocks_repeat_is_told_apart_by_the_order_of_the_rows() -> None:
    utc = pd.date_range("2030-11-03T06:30Z", "2030-11-03T09:30Z", freq="10min")
    local = utc.tz_convert("America/Denver").strftime("%Y-%m-%d %H:%M")
    assert read(*local, zone="America/Denver") == utc.strftime("%Y-%m-%dT%H:%M").tolist()


def test_an_hour_that_the_clocks_leave_out_is_no_time() -> None:
    assert read("2031-03-09 02:30", zone="America/Denver") == [None]


def test_columns_of_times_are_taken_as_they_are() -> None:
    at = pd.Series(pd.to_datetime(["2031-01-14T12:00"]))
    for column, zone in ((at, "UTC"), (at.dt.tz_localize("UTC"), None)):
        times, _ = instants(pd.DataFrame({"at": column}), ["at"], pd.Series(["u"]), zone=zone)
        assert str(times[0]) == "2031-01-14T12:00:00.000000"


def test_years_that_no_logger_lives_in_are_refused() -> None:
    assert read("1999-12-31T23:59Z", "2101-01-01T00:00Z", "2100-12-31T23:59Z") == [None, None, "2100-12-31T23:59"]


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({}, "the times carry no offset: give their zone"),
        ({"zone": "Nowhere/Land"}, "--zone 'Nowhere/Land' is no time zone"),
        ({"at_format": "%m/%d %H:%M", "zone": "UTC"}, "--at-format '%m/%d %H:%M' has no year: give --year"),
    ],
)
def test_a_missing_year_or_zone_is_asked_for(how: dict[str, str], says: str) -> None:
    with pytest.raises(BadInputError) as error:
        read("2031-01-14 12:00", **how)
    assert str(error.value).startswith(says)
