from __future__ import annotations

from types import ModuleType

import pandas as pd
import pytest
from psycopg.types.json import Jsonb

from analytics import watch
from analytics.chosen import SETTABLE, options_of
from analytics.options import DEFAULT, Options
from ingest import store
from ingest.database import connect


def test_every_option_that_may_be_set_is_one_and_its_limits_are_those_that_the_options_take() -> None:
    for one in SETTABLE:
        for edge in (one.low, one.high):
            assert getattr(options_of({one.name: edge}), one.name) == edge
        assert getattr(DEFAULT, one.name) == getattr(Options(), one.name)


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"units": "us"},
        {"planned_visit_cost": "1"},
        {"planned_visit_cost": 0},
        {"cold_house_cost": True},
        {"false_alarms_per_unit_year": 0},
        {"min_days": 1},
        {"emergency_visit_cost": float("nan")},
    ],
)
def test_what_cannot_be_set_leaves_the_default(settings: dict[str, object]) -> None:
    assert options_of(settings) == DEFAULT


@pytest.mark.stack
def test_what_an_account_sets_changes_its_ranks_at_the_next_pass_and_nothing_does_without_a_change(
    database: str, made: ModuleType
) -> None:
    fleet = made.fleet(4, 20, 5)
    starts = fleet.tables.starts.assign(at=fleet.tables.starts["at"] - pd.Timedelta(days=3650))
    with connect(database) as connection:
        account_id = store.account(connection, "made", create=True)
        store.put_units(connection, account_id, fleet.tables.units)
        store.put_starts(connection, account_id, starts)
        followed = watch.Followed()
        assert watch.refresh(connection, account_id, followed, -(10**6), "data") > 0
        ranks = "select unit_id, rank from standing where account_id = %s order by unit_id"
        before = connection.execute(ranks, (account_id,)).fetchall()
        assert watch.refresh(connection, account_id, followed, None, "data") == 0
        connection.execute(
            "update account set settings = %s where account_id = %s",
            (Jsonb({"emergency_visit_cost": 400.0, "cold_house_cost": 900.0}), account_id),
        )
        assert watch.refresh(connection, account_id, followed, None, "data") > 0
        after = connection.execute(ranks, (account_id,)).fetchall()
    assert all(new > old for (_, new), (_, old) in zip(after, before, strict=True))
    assert followed.options.emergency_visit_cost == 400.0
