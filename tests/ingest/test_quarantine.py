"""What could not be stored is kept as it came, shown, put through again after mending, or dropped."""

from __future__ import annotations

from datetime import UTC, datetime

import psycopg
import pytest

from ingest import quarantine, store
from ingest.held import Held, put
from ingest.intake import Message, take_in
from tests.ingest.intake_helpers import count, encode, register, start

pytestmark = pytest.mark.stack
NOW = datetime(2024, 2, 1, tzinfo=UTC)


def take(connection: psycopg.Connection, payload: bytes, device: str = "d-0001") -> None:
    take_in(connection, [Message(f"halfsecond/1/{device}/starts", payload, NOW)])


def ids(connection: psycopg.Connection) -> list[int]:
    return [row["quarantine_id"] for row in quarantine.listed(connection, None)]


def test_what_is_held_is_listed_and_shown_as_it_came(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take(connection, b"\xff?")
    take(connection, encode(start(1, run_a=-1)))
    rows = quarantine.listed(connection, account_id)
    assert (rows[0]["reason"], rows[0]["device"], rows[0]["bytes"]) == ("bad_json", "d-0001", 2)
    assert rows[1]["detail"] == "run_a: must be at least 0, not -1"
    item = quarantine.shown(connection, account_id, rows[0]["quarantine_id"])
    assert item is not None
    assert (item["payload"], item["received_at"], item["topic"]) == (b"\xff?", NOW, "halfsecond/1/d-0001/starts")
    assert quarantine.counted(connection, account_id) == {"bad_json": 1, "impossible_value": 1}
    assert [r["reason"] for r in quarantine.listed(connection, account_id, reason="bad_json")] == ["bad_json"]
    assert quarantine.listed(connection, account_id, device="d-0002") == []
    assert len(quarantine.listed(connection, account_id, after=rows[0]["quarantine_id"])) == 1


def test_an_account_sees_its_own_and_an_operator_also_what_is_nobodys(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    other = store.account(connection, "another (example)", create=True)
    take(connection, b"?")
    take(connection, b"?", device="d-9999")
    own = {"strays": False}
    assert quarantine.counted(connection, account_id, **own) == {"bad_json": 1}
    assert quarantine.counted(connection, other, **own) == {}
    assert [r["reason"] for r in quarantine.listed(connection, other)] == ["unknown_device"]
    assert quarantine.listed(connection, other, **own) == []
    mine = quarantine.listed(connection, account_id, **own)[0]["quarantine_id"]
    assert quarantine.shown(connection, other, mine) is None
    assert quarantine.counted(connection, None) == {"bad_json": 1, "unknown_device": 1}


def test_a_device_that_is_registered_later_gets_its_starts(connection: psycopg.Connection) -> None:
    take(connection, encode(start(1), start(2)), device="d-0001")
    assert count(connection, "start") == 0
    account_id = register(connection)
    assert quarantine.replay(connection, ids(connection)) == (1, 0)
    assert store.read_starts(connection, account_id)["seq"].tolist() == [1, 2]
    assert ids(connection) == []
    row = connection.execute("select account_id, tries, released_at is not null from quarantine").fetchone()
    assert row == (account_id, 1, True)


def test_what_still_cannot_be_stored_stays_with_its_new_reason(connection: psycopg.Connection) -> None:
    take(connection, encode(start(1, run_a=-1)), device="d-0001")
    account_id = register(connection)
    assert quarantine.replay(connection, ids(connection)) == (0, 1)
    (row,) = quarantine.listed(connection, account_id, strays=False)
    assert (row["reason"], row["tries"], row["detail"]) == ("impossible_value", 1, "run_a: must be at least 0, not -1")


def test_of_a_payload_of_several_the_good_are_stored_and_the_bad_stay(connection: psycopg.Connection) -> None:
    take(connection, encode(start(1), start(2, run_a=-1), start(3)), device="d-0001")
    account_id = register(connection)
    assert quarantine.replay(connection, ids(connection)) == (1, 0)
    assert store.read_starts(connection, account_id)["seq"].tolist() == [1, 3]
    assert [row["reason"] for row in quarantine.listed(connection, account_id)] == ["impossible_value"]


def test_a_clock_that_ran_ahead_is_still_wrong_when_its_time_has_come(connection: psycopg.Connection) -> None:
    register(connection)
    take(connection, encode(start(1, at="2024-02-20T00:00:00Z")))
    assert quarantine.replay(connection, ids(connection)) == (0, 1)


def test_what_came_from_a_file_is_mended_in_the_file(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    put(connection, [Held(account_id, None, "file/starts", b"{}", "clock_out_of_range", "at: 2099", NOW)])
    assert quarantine.replay(connection, ids(connection)) == (0, 1)
    (row,) = quarantine.listed(connection, account_id)
    assert (row["reason"], row["tries"]) == ("clock_out_of_range", 1)
    assert "mend the file" in row["detail"]


def test_an_item_is_put_through_once_and_a_number_of_nothing_is_passed_over(connection: psycopg.Connection) -> None:
    take(connection, encode(start(1)), device="d-0001")
    register(connection)
    (number,) = ids(connection)
    seen: list[int] = []
    assert quarantine.replay(connection, [number, number, 999], progress=seen.append) == (1, 0)
    assert seen == [1, 1, 1]
    assert count(connection, "start") == 1


def test_dropped_items_are_gone_and_released_ones_are_kept_as_a_record(connection: psycopg.Connection) -> None:
    take(connection, encode(start(1)), device="d-0001")
    register(connection)
    quarantine.replay(connection, ids(connection))
    take(connection, b"?")
    assert quarantine.drop(connection, [*ids(connection), 1, 999]) == 1
    assert ids(connection) == []
    assert count(connection, "quarantine") == 1


def test_the_same_payload_again_is_counted_and_kept_once(connection: psycopg.Connection) -> None:
    register(connection)
    for _ in range(3):
        take(connection, b"?")
    (row,) = quarantine.listed(connection, None)
    assert row["seen"] == 3
