"""A batch of messages is stored in one transaction, and what the database refuses never holds up the others."""

from __future__ import annotations

import json
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import decode as decoding
from ingest import mapping, quarantine, store
from ingest.database import connect
from ingest.decode import Good
from ingest.intake import Message, Tally, added, take_in
from tests.ingest.intake_helpers import count, encode, register, start

pytestmark = pytest.mark.stack
NOW = datetime(2024, 2, 1, tzinfo=UTC)


def message(payload: bytes, device: str = "d-0001", kind: str = "starts", **more: Any) -> Message:
    return Message(f"halfsecond/1/{device}/{kind}", payload, NOW, **more)


def test_rows_land_under_the_unit_and_account_of_their_device(connection: psycopg.Connection) -> None:
    first = register(connection, units=2)
    second = store.account(connection, "another (example)", create=True)
    connection.execute("insert into unit (account_id, unit) values (%s, 'u-0001')", (second,))
    connection.execute(
        "insert into device (device, account_id, unit_id)"
        " select 'd-7', account_id, unit_id from unit where account_id = %s",
        (second,),
    )
    tallies = take_in(
        connection,
        [message(encode(start(1), start(2)), "d-0002"), message(encode(start(3)), "d-7"), message(b"?", "d-7")],
    )
    assert tallies == {first: Tally(received=2, stored=2), second: Tally(received=2, stored=1, quarantined=1)}
    assert store.read_starts(connection, first)["unit"].tolist() == ["u-0002", "u-0002"]
    assert store.read_starts(connection, second)["seq"].tolist() == [3]


def test_figures_and_unknown_fields_land_in_their_columns(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    take_in(connection, [message(encode(start(1, mode="heating", stage=2, retry=1, outdoor_c=-12.5, humidity=0.8)))])
    row = store.read_starts(connection, account_id).iloc[0]
    assert (row["outcome"], row["run_up_s"], row["mode"], row["stage"], row["outdoor_c"]) == (
        "ran",
        0.21,
        "heating",
        2,
        -12.5,
    )
    assert json.loads(row["extra"]) == {"humidity": 0.8}


def test_a_redelivered_batch_adds_nothing(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    batch = [message(encode(start(n))) for n in range(10)] + [message(b"{"), message(encode(start(5)), "d-9")]
    take_in(connection, batch)
    again = take_in(connection, batch)
    assert again[account_id] == Tally(received=11, stored=0, doubles=10, quarantined=1)
    assert count(connection, "start") == 10
    assert connection.execute("select reason, seen from quarantine order by 1").fetchall() == [
        ("bad_json", 2),
        ("unknown_device", 2),
    ]


@pytest.mark.parametrize(
    "topic",
    ["other", "halfsecond/1/starts", "halfsecond/2/d-0001/starts", "halfsecond/1/a/b/starts", "halfsecond/1//starts"],
)
def test_a_topic_that_is_none_of_ours_goes_into_quarantine(connection: psycopg.Connection, topic: str) -> None:
    assert take_in(connection, [Message(topic, b"{}", NOW)]) == {None: Tally(received=1, quarantined=1)}
    assert connection.execute("select topic, reason from quarantine").fetchone() == (topic, "bad_topic")


def test_a_removed_device_is_unknown(connection: psycopg.Connection) -> None:
    register(connection)
    connection.execute("update device set removed_at = now()")
    assert take_in(connection, [message(encode(start(1)))]) == {None: Tally(received=1, quarantined=1)}


def test_what_only_the_database_refuses_is_found_and_the_others_are_stored(
    connection: psycopg.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    account_id = register(connection)

    def careless(*arguments: Any) -> Any:
        good, bad = decoding.decode(*arguments)
        return [Good(g.record, b"no json" if g.record.seq == 6 else g.extra) for g in good], bad

    monkeypatch.setattr("ingest.sorting.decode", careless)
    tallies = take_in(connection, [message(encode(start(n, note="looked at one by one"))) for n in range(10)])
    assert tallies[account_id].stored == 9
    assert tallies[None] == Tally(received=1, quarantined=1)
    assert [seq for (seq,) in connection.execute("select seq from start order by seq")] == [0, 1, 2, 3, 4, 5, 7, 8, 9]
    row = connection.execute("select reason, detail from quarantine").fetchone()
    assert row is not None
    assert row[0] == "impossible_value"
    assert row[1].startswith("the database refuses it: invalid")


def test_a_batch_is_stored_whole_or_not_at_all(connection: psycopg.Connection) -> None:
    register(connection)
    connection.execute("drop table quarantine")
    with pytest.raises(psycopg.errors.UndefinedTable):
        take_in(connection, [message(encode(start(1))), message(b"?")])
    assert count(connection, "start") == 0
    assert count(connection, "dirty_day") == 0


def test_an_old_status_that_the_broker_kept_does_not_look_new(connection: psycopg.Connection) -> None:
    register(connection)
    status = encode({"online": True, "sent": 5})
    take_in(connection, [message(status, kind="status")])
    later = datetime(2024, 2, 2, tzinfo=UTC)
    take_in(connection, [Message("halfsecond/1/d-0001/status", status, later, retained=True)])
    assert connection.execute("select received_at from device_status").fetchone() == (NOW,)
    take_in(connection, [Message("halfsecond/1/d-0001/status", encode({"online": False}), later, retained=True)])
    assert connection.execute("select online, received_at from device_status").fetchone() == (False, later)


def test_units_that_failed_to_start_are_told_of_as_the_batch_is_committed_and_others_are_not(
    database: str, connection: psycopg.Connection
) -> None:
    account_id = register(connection, units=5)
    with connect(database) as listener:
        listener.execute(f"listen {store.FAILED_CHANNEL}")
        lockout = {"seq": 1, "at": "2024-01-14T12:00:00Z", "event": "lockout"}
        batch = [
            message(encode(start(1, outcome="locked"), start(2, outcome="locked")), "d-0002"),
            message(encode(start(1)), "d-0003"),
            message(encode(lockout), "d-0005", "events"),
            message(encode(lockout | {"event": "reset"}), "d-0001", "events"),
        ]
        take_in(connection, batch)
        told = [each.payload for each in listener.notifies(timeout=5, stop_after=1)]
    numbers = store.unit_ids(connection, account_id, ["u-0002", "u-0005"])
    assert told == [f"{account_id} {numbers['u-0002']} {numbers['u-0005']}"]


def test_two_intakes_that_get_the_same_messages_store_each_once(database: str, connection: psycopg.Connection) -> None:
    register(connection, units=50)
    batches = [
        [message(encode(start(n)), f"d-{1 + n % 50:04d}") for n in range(b, b + 200)] for b in range(0, 2000, 200)
    ]
    failures: list[BaseException] = []

    def one(order: int) -> None:
        try:
            with connect(database) as own:
                for batch in batches[::order]:
                    take_in(own, batch[::order])
        except BaseException as error:  # noqa: BLE001 - whatever it is, the test shows it
            failures.append(error)

    threads = [threading.Thread(target=one, args=(order,)) for order in (1, -1, 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert count(connection, "start") == 2000


def test_tallies_add_up() -> None:
    first, second = {1: Tally(2, 1, 1, 0)}, {1: Tally(1, 0, 0, 1), None: Tally(1, 0, 0, 1)}
    assert added(first, second) == {1: Tally(3, 1, 1, 1), None: Tally(1, 0, 0, 1)}


WHEN = st.datetimes() | st.datetimes(datetime(2023, 12, 25), datetime(2024, 2, 9))  # noqa: DTZ001 - a Z is put behind
VALUE = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.none() | st.floats(), max_size=3)
)
ITEM = st.fixed_dictionaries(
    {
        "seq": st.integers(-1, 2**63),
        "at": WHEN.map(lambda at: f"{at.isoformat()}Z"),
        "outcome": st.just("ran"),
    },
    optional=dict.fromkeys(["t_s", "suction_kpa", "event", "detail", "online", "firmware", "run_w", "x\0", "y"], VALUE),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    items=st.lists(st.tuples(st.sampled_from(["starts", "rests", "events", "status"]), ITEM), max_size=8),
    raw=st.lists(st.binary(max_size=20), max_size=2),
)
def test_whatever_comes_is_accounted_for(
    connection: psycopg.Connection, items: list[tuple[str, Any]], raw: list[bytes]
) -> None:
    account_id = register(connection)
    messages = [message(json.dumps(item, ensure_ascii=True).encode(), kind=kind) for kind, item in items]
    tallies = take_in(connection, messages + [message(payload) for payload in raw])
    for tally in tallies.values():
        kept_aside = tally.received - tally.stored - tally.doubles - tally.quarantined
        assert kept_aside <= sum(kind == "status" for kind, _ in items)
    assert sum(tally.received for tally in tallies.values()) >= len(messages)
    assert set(tallies) <= {account_id, None}


MAPPING = """
[starts]
topic = "plant/{device}/done"
[starts.fields]
seq = "/n"
at = "/t"
run_up_s = { from = "/ms", unit = "ms" }
outcome = { from = "/o", words = { good = "ran", stuck = "locked" } }
"""


@pytest.fixture
def mappings(tmp_path: Path) -> tuple[mapping.Source, ...]:
    (tmp_path / "m.toml").write_text(MAPPING, encoding="utf-8")
    return mapping.load(tmp_path)


def foreign(*items: dict[str, Any], device: str = "d-0001") -> Message:
    return Message(f"plant/{device}/done", encode(*items), NOW)


def test_another_loggers_records_land_beside_ours(
    connection: psycopg.Connection, mappings: tuple[mapping.Source, ...]
) -> None:
    account_id = register(connection)
    item = {"n": 1, "t": "2024-01-14T12:00:00Z", "ms": 210, "o": "good"}
    batch = [foreign(item), message(encode(start(2))), foreign(item, device="d-9"), Message("plant/x", b"{}", NOW)]
    assert take_in(connection, batch, mappings) == {
        account_id: Tally(received=2, stored=2),
        None: Tally(received=2, quarantined=2),
    }
    assert store.read_starts(connection, account_id)["run_up_s"].round(3).tolist() == [0.21, 0.21]
    assert connection.execute("select reason from quarantine order by 1").fetchall() == [
        ("bad_topic",),
        ("unknown_device",),
    ]


def test_what_a_mapping_could_not_read_is_stored_once_the_mapping_is_mended(
    connection: psycopg.Connection, mappings: tuple[mapping.Source, ...], tmp_path: Path
) -> None:
    account_id = register(connection)
    items = [{"n": n, "t": f"2024-01-14T12:0{n}:00Z", "ms": 210, "o": word} for n, word in enumerate(["good", "hung"])]
    assert take_in(connection, [foreign(*items)], mappings)[account_id] == Tally(received=2, stored=1, quarantined=1)
    held = [row["quarantine_id"] for row in quarantine.listed(connection, account_id)]
    assert quarantine.replay(connection, held) == (0, 1)
    assert quarantine.replay(connection, held, mappings=mappings) == (0, 1)
    (tmp_path / "m.toml").write_text(MAPPING.replace("stuck =", 'hung = "locked", stuck ='), encoding="utf-8")
    assert quarantine.replay(connection, held, mappings=mapping.load(tmp_path)) == (1, 0)
    assert store.read_starts(connection, account_id)["outcome"].tolist() == ["ran", "locked"]
