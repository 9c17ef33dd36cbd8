"""A record under a key that is taken: the same again goes by without a word, another is shown and the first stands."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import psycopg
import pytest

from ingest import quarantine, store
from ingest.intake import Message, Tally, take_in
from tests.ingest.intake_helpers import count, encode, register, start

pytestmark = pytest.mark.stack
NOW = datetime(2024, 2, 1, tzinfo=UTC)


def take(connection: psycopg.Connection, *items: dict[str, Any], kind: str = "starts", device: str = "d-0001") -> Tally:
    (tally,) = take_in(connection, [Message(f"halfsecond/1/{device}/{kind}", encode(*items), NOW)]).values()
    return tally


def test_another_start_under_a_key_that_is_taken_goes_to_quarantine_with_what_differs(
    connection: psycopg.Connection,
) -> None:
    account_id = register(connection, units=2)
    first = start(7, humidity=0.8)
    take(connection, first, start(8))
    other = first | {"run_up_s": 0.35, "outcome": "locked", "outdoor_c": -3}
    assert take(connection, other, start(9)) == Tally(received=2, stored=1, doubles=0, quarantined=1)
    kept = store.read_starts(connection, account_id)
    assert kept[["seq", "outcome"]].to_numpy().tolist() == [[7, "ran"], [8, "ran"], [9, "ran"]]
    assert kept["run_up_s"].iloc[0] == pytest.approx(0.21)
    (row,) = quarantine.listed(connection, account_id)
    assert (row["reason"], row["device"], row["topic"]) == ("key_taken", "d-0001", "halfsecond/1/d-0001/starts")
    assert row["detail"].startswith("seq: 7 at 2024-01-01T00:07:00+00:00 is taken; ")
    for told in (
        'outcome came as "locked", "ran" stands',
        "run_up_s came as 0.35, 0.21 stands",
        "outdoor_c came as -3",
    ):
        assert told in row["detail"]
    item = quarantine.shown(connection, account_id, row["quarantine_id"])
    assert item is not None
    assert json.loads(item["payload"]) == other | {"at": "2024-01-01T00:07:00+00:00"}


def test_two_that_differ_within_one_message_leave_the_first(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    tally = take(connection, start(7), start(7, run_up_s=0.4), start(7), start(7, run_up_s=0.5))
    assert tally == Tally(received=4, stored=1, doubles=1, quarantined=2)
    assert store.read_starts(connection, account_id)["run_up_s"].tolist() == [pytest.approx(0.21)]
    assert quarantine.counted(connection, account_id) == {"key_taken": 2}


def test_what_comes_again_just_as_it_was_is_a_double_and_the_other_is_counted_once(
    connection: psycopg.Connection,
) -> None:
    account_id = register(connection)
    sent = [start(n, outdoor_c=-12.3, close_deg=91.7, mode="heating", stage=2, retry=1, rh=[1, 0.1]) for n in range(50)]
    take(connection, *sent)
    assert take(connection, *sent) == Tally(received=50, doubles=50)
    for seen in (1, 2):
        assert take(connection, sent[3] | {"rh": [1, 0.2]}) == Tally(received=1, quarantined=1)
        assert [(r["reason"], r["seen"]) for r in quarantine.listed(connection, account_id)] == [("key_taken", seen)]


def test_the_same_number_at_another_time_or_of_another_unit_is_another_start(connection: psycopg.Connection) -> None:
    account_id = register(connection, units=2)
    take(connection, start(7))
    take(connection, start(7, run_up_s=0.5), device="d-0002")
    take(connection, start(7, at="2024-01-05T00:00:00Z", run_up_s=0.5))
    assert count(connection, "start") == 3
    assert quarantine.counted(connection, account_id) == {}


@pytest.mark.parametrize(
    ("kind", "item", "change"),
    [
        ("rests", {"t_s": [0, 60], "suction_kpa": [400, 700], "liquid_kpa": [1600, None]}, {"suction_kpa": [400, 720]}),
        ("events", {"event": "power_cycle"}, {"event": "lockout"}),
    ],
)
def test_rests_and_events_are_held_to_the_same(
    connection: psycopg.Connection, kind: str, item: dict[str, Any], change: dict[str, Any]
) -> None:
    account_id = register(connection)
    one = {"seq": 1, "at": "2024-01-14T12:00:00Z"} | item
    take(connection, one, kind=kind)
    assert take(connection, one, kind=kind) == Tally(received=1, doubles=1)
    assert take(connection, one | change, kind=kind) == Tally(received=1, quarantined=1)
    (row,) = quarantine.listed(connection, account_id)
    assert (row["reason"], row["topic"]) == ("key_taken", f"halfsecond/1/d-0001/{kind}")


def test_putting_it_through_again_changes_nothing_and_dropping_it_ends_it(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take(connection, start(7))
    take(connection, start(7, run_up_s=0.4))
    (row,) = quarantine.listed(connection, account_id)
    assert quarantine.replay(connection, [row["quarantine_id"]]) == (0, 1)
    (again,) = quarantine.listed(connection, account_id)
    assert again == row | {"tries": 1}
    assert quarantine.drop(connection, [row["quarantine_id"]]) == 1
    assert quarantine.listed(connection, account_id) == []
