from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from types import ModuleType
from typing import Any

import pandas as pd
import pytest

from analytics import replay
from analytics.tables import Tables, fleet
from analytics.verdict import CAUSES, encode


def _lines(tables: Tables, **options: Any) -> list[bytes]:
    return [encode(v) for v in replay.replay(tables, **options)]


def _starts(rows: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows)
    frame["at"] = pd.to_datetime(frame["at"], utc=True).dt.as_unit("us")
    return frame


def _steady(unit: str, count: int, hours: float = 2.0, **fields: Any) -> pd.DataFrame:
    begin = pd.Timestamp("2031-01-01T05:00Z")
    return _starts(
        [
            {"unit": unit, "seq": k, "at": begin + pd.Timedelta(hours=hours * k), "outcome": "ran", **fields}
            for k in range(count)
        ]
    )


def test_a_unit_with_ten_starts_is_learning_with_nulls() -> None:
    last = json.loads(_lines(Tables(starts=_steady("u1", 10, run_up_s=0.2, off_s=600.0, outdoor_c=-3.0)))[-1])
    assert last["standing"] == "learning"
    assert last["run_up"]["starts"] == 10
    assert (last["locked"]["starts"], last["locked"]["seen"]) == (10, 0)
    assert last["run_up"]["drift"] is None
    assert last["locked"]["ratio"] is None
    assert last["causes"] == dict.fromkeys([*CAUSES, "none"])
    assert (last["lockout_7d"], last["lockout_14d"], last["repair"]) == (None, None, None)
    assert {"days_below_7", "starts_below_30"} <= set(last["reasons"])


def test_dates_step_from_the_first_midnight_after_the_first_start_to_the_first_after_the_last() -> None:
    starts = _steady("u1", 13, run_up_s=0.2)  # 01-01 05:00 to 01-02 05:00
    days = [json.loads(line)["as_of"] for line in _lines(Tables(starts=starts))]
    assert days == ["2031-01-02T00:00:00Z", "2031-01-03T00:00:00Z"]
    half = [json.loads(line)["as_of"] for line in _lines(Tables(starts=starts), every=timedelta(hours=12))]
    assert half == ["2031-01-02T00:00:00Z", "2031-01-02T12:00:00Z", "2031-01-03T00:00:00Z"]


def test_limits_leave_out_dates_and_change_no_line(made: ModuleType) -> None:
    tables = made.fleet(4, 40, 3).tables
    whole = _lines(tables)
    first, last = datetime(2030, 10, 20, tzinfo=UTC), datetime(2030, 10, 22, tzinfo=UTC)
    wanted = ("2030-10-20", "2030-10-21", "2030-10-22")
    assert _lines(tables, first=first, last=last) == [v for v in whole if json.loads(v)["as_of"][:10] in wanted]


@pytest.mark.parametrize("cut_day", [25, 57])
def test_a_date_knows_nothing_later_than_itself(made: ModuleType, cut_day: int) -> None:
    tables = made.fleet(8, 70, 4).tables
    cut = pd.Timestamp(made.START) + pd.Timedelta(days=cut_day)
    early = Tables(starts=tables.starts[tables.starts["at"] < cut], units=tables.units)
    lines = _lines(early)
    assert len(lines) == 8 * cut_day
    assert lines == _lines(tables)[: len(lines)]


def test_the_order_of_rows_and_doubles_change_nothing(made: ModuleType) -> None:
    tables = made.fleet(4, 30, 5).tables
    mixed = pd.concat([tables.starts, tables.starts.sample(frac=0.2, random_state=1)]).sample(frac=1.0, random_state=2)
    assert _lines(Tables(starts=mixed, units=tables.units[::-1])) == _lines(tables)


def test_six_hourly_lines_agree_with_daily_ones_at_midnight(made: ModuleType) -> None:
    tables = made.fleet(3, 20, 6).tables
    often = [v for v in _lines(tables, every=timedelta(hours=6)) if json.loads(v)["as_of"].endswith("T00:00:00Z")]
    assert often == _lines(tables)


def test_faulty_units_stand_above_healthy_ones_and_healthy_ones_raise_no_alarm(made: ModuleType) -> None:
    fleet_made = made.fleet(40, 120, 7, faulty=0.2)
    whole = fleet(fleet_made.tables)
    false = set()
    for instant, verdicts in replay.ranked(whole, replay.dates(whole, None, None, timedelta(days=1))):
        day = instant // 86_400_000_000 - 22188  # days since 2030-10-01
        last = verdicts
        for one in verdicts:
            v = one.verdict
            cause = fleet_made.cause[v.unit]
            early = cause is None or day <= fleet_made.onset_day[v.unit]
            if early and (v.run_up.alarm or v.locked.alarm):
                false.add(v.unit)
    order = [one.verdict.unit for one in sorted(last, key=lambda one: -one.rank)]
    faulty = {u for u, cause in fleet_made.cause.items() if cause is not None}
    top = set(order[: len(faulty)])
    # Not all faults of the made fleet show in a mild autumn: most of the top must be faulty, and no alarm false.
    assert len(top & faulty) >= 0.75 * len(faulty)
    assert false == set()


def test_starts_without_run_up_times_stay_learning_and_say_why() -> None:
    starts = _steady("u1", 200, outdoor_c=1.0, off_s=3000.0)
    last = json.loads(_lines(Tables(starts=starts))[-1])
    assert (last["standing"], last["reasons"]) == ("learning", ["no_run_up_times"])
    assert "how long a start takes" in last["say"]


def test_a_start_whose_outcome_cannot_be_told_does_no_harm() -> None:
    starts = _steady("u1", 50, run_up_s=0.2)
    starts["outcome"] = starts["outcome"].astype(object)
    starts.loc[7, "outcome"] = None
    assert json.loads(_lines(Tables(starts=starts))[-1])["run_up"]["starts"] == 50


def test_a_third_locked_start_is_down_and_a_run_clears_it() -> None:
    starts = _steady("u1", 120, run_up_s=0.2, off_s=900.0, outdoor_c=-5.0)
    starts.loc[[60, 61, 62], "outcome"] = "locked"
    starts.loc[[60, 61, 62], "run_up_s"] = None
    lines = [json.loads(v) for v in _lines(Tables(starts=starts), every=timedelta(hours=1))]
    standing = {v["as_of"]: v["standing"] for v in lines}
    third = starts.loc[62, "at"]
    assert standing[(third + timedelta(hours=0)).strftime("%Y-%m-%dT%H:%M:%SZ")] == "down"
    assert standing[(third - timedelta(hours=1)).strftime("%Y-%m-%dT%H:%M:%SZ")] != "down"
    assert standing[(third + timedelta(hours=2)).strftime("%Y-%m-%dT%H:%M:%SZ")] != "down"


def test_no_starts_give_no_lines() -> None:
    empty = _starts([{"unit": "u1", "seq": 0, "at": "2031-01-01T00:00Z", "outcome": "ran"}]).iloc[:0]
    assert _lines(Tables(starts=empty)) == []


def test_a_step_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="every"):
        replay.dates(fleet(Tables(starts=_steady("u1", 3))), None, None, timedelta(0))
