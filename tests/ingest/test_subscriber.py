"""The promise of intake, against real brokers and a real database: nothing lost, nothing twice, nothing blocked."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt
import psycopg
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from deploy.embedded import broker as embedded_broker
from deploy.embedded.broker import BrokerAddress
from ingest import lease, link
from ingest.database import connect
from ingest.errors import UnavailableError
from ingest.intake import take_in
from ingest.subscriber import IntakeSettings, run
from tests.ingest.intake_helpers import (
    announce,
    count,
    encode,
    eventually,
    intake,
    intake_thread,
    publish,
    register,
    settings,
    start,
)

pytestmark = pytest.mark.stack
STARTS = 20_000


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def test_intake_begins_again_without_loading_what_only_tables_and_migrations_want() -> None:
    # Each takes a second or so, in which what is killed and begun again would take nothing in.
    heavy = "{'pandas', 'pyarrow', 'scipy', 'numba', 'sqlalchemy', 'alembic'}"
    program = f"import sys, ingest.subscriber; print(sorted({heavy} & set(sys.modules)))"
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert told.stdout == "[]\n"


@pytest.mark.slow
@pytest.mark.parametrize("a_payload", [1, 20])
def test_intake_killed_again_and_again_loses_no_start_and_stores_none_twice(
    database: str, connection: psycopg.Connection, broker: BrokerAddress, a_payload: int
) -> None:
    register(connection, units=4)
    wanted = settings(database, broker, batch=100 if a_payload == 1 else 10)
    announce(wanted)
    payloads = [
        (f"halfsecond/1/d-{1 + n % 4:04d}/starts", encode(*[start(n * a_payload + k) for k in range(a_payload)]))
        for n in range(STARTS // a_payload)
    ]
    publisher = threading.Thread(target=publish, args=(broker, payloads))
    publisher.start()
    kills = 0
    for share in (0.1, 0.3, 0.6):
        with intake(wanted) as process:
            assert eventually(lambda share=share: count(connection, "start") >= share * STARTS)
            process.send_signal(signal.SIGKILL)
            kills += process.wait() == -signal.SIGKILL
    assert kills == 3
    assert count(connection, "start") < STARTS
    with intake(wanted) as process:
        publisher.join()
        assert eventually(lambda: count(connection, "start") == STARTS)
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    assert connection.execute("select count(distinct (unit_id, seq)) from start").fetchone() == (STARTS,)
    assert count(connection, "quarantine") == 0


def test_what_cannot_be_stored_blocks_nothing_behind_it(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    register(connection)
    bad = {
        "bad_json": b'{"seq": 1, "at"',
        "missing_field": encode({k: v for k, v in start(2).items() if k != "seq"}),
        "impossible_value": encode(start(3, run_up_s=-1)),
        "clock_out_of_range": encode(start(4, at="2099-01-14T12:00:00Z")),
    }
    messages = [("halfsecond/1/d-0001/starts", payload) for payload in bad.values()]
    messages += [("halfsecond/1/d-9999/starts", encode(start(5))), ("halfsecond/1/d-0001/wishes", b"{}")]
    messages += [("halfsecond/1/d-0001/starts", encode(start(6)))]
    with intake_thread(settings(database, broker)):
        assert eventually(lambda: _subscribed(connection, broker))
        publish(broker, messages)
        assert eventually(lambda: count(connection, "start") >= 1 and count(connection, "quarantine") == 6)
    assert connection.execute("select seq from start where seq > 0").fetchall() == [(6,)]
    reasons = {reason for (reason,) in connection.execute("select reason from quarantine")}
    assert reasons == {*bad, "unknown_device", "bad_topic"}


def _subscribed(connection: psycopg.Connection, broker: BrokerAddress) -> bool:
    """Publish until something arrives: then intake is there."""
    publish(broker, [("halfsecond/1/d-0001/starts", encode(start(0)))])
    return eventually(lambda: count(connection, "start") > 0, within_s=1)


def test_rests_events_and_status_are_stored_too(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    register(connection)
    at = "2024-01-14T12:00:00Z"
    wanted = settings(database, broker)
    announce(wanted)
    publish(
        broker,
        [
            ("halfsecond/1/d-0001/rests", encode({"seq": 1, "at": at, "t_s": [0, 30], "suction_kpa": [400, None]})),
            ("halfsecond/1/d-0001/events", encode({"seq": 1, "at": at, "event": "lockout", "detail": "third try"})),
            ("halfsecond/1/d-0001/status", encode({"online": True, "firmware": "1.0", "clock_ok": True, "sent": 7})),
            ("halfsecond/1/d-0001/status", encode({"online": False, "sent": 8})),
        ],
    )
    with intake_thread(wanted):
        assert eventually(lambda: count(connection, "rest") + count(connection, "event") == 2)
        assert eventually(lambda: connection.execute("select sent from device_status").fetchone() == (8,))
    assert connection.execute("select suction_kpa from rest").fetchone() == ([400.0, None],)
    assert connection.execute("select online from device_status").fetchone() == (False,)


def test_a_batch_ends_with_its_bytes_too(
    database: str, connection: psycopg.Connection, broker: BrokerAddress, monkeypatch: pytest.MonkeyPatch
) -> None:
    register(connection)
    sizes: list[int] = []

    def noted(*arguments: Any) -> Any:
        sizes.append(len(arguments[1]))
        return take_in(*arguments)

    monkeypatch.setattr("ingest.taking.take_in", noted)
    monkeypatch.setattr("ingest.link.BATCH_BYTES", 1_000)
    wanted = settings(database, broker, linger_s=10)
    announce(wanted)
    payload = len(encode(start(10)))
    publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(10, 60)])
    with intake_thread(wanted):
        assert eventually(lambda: count(connection, "start") >= 40)
    assert max(sizes) == -(-1_000 // payload)


@pytest.mark.mosquitto
def test_version_5_of_mqtt_keeps_the_promise_too(
    database: str, connection: psycopg.Connection, mosquitto: BrokerAddress
) -> None:
    register(connection)
    wanted = settings(database, mosquitto, protocol=5)
    with intake_thread(wanted):
        assert eventually(lambda: _subscribed(connection, mosquitto))
    publish(mosquitto, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(1, 501)])
    with intake(wanted) as process:
        assert eventually(lambda: count(connection, "start") > 1)
        process.kill()
        process.wait()
    with intake_thread(wanted):
        assert eventually(lambda: count(connection, "start") == 501)


@pytest.mark.mosquitto
def test_two_intakes_share_a_subscription(
    database: str, connection: psycopg.Connection, mosquitto: BrokerAddress
) -> None:
    register(connection)
    wanted = settings(database, mosquitto, share="intake")
    with intake_thread(wanted), intake_thread(wanted):
        assert eventually(lambda: _subscribed(connection, mosquitto))
        publish(mosquitto, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(1, 2001)])
        assert eventually(lambda: count(connection, "start") == 2001)


@pytest.mark.mosquitto
@pytest.mark.parametrize("protocol", [4, 5])
def test_an_intake_that_leaves_a_group_takes_in_first_what_was_set_aside_for_it(
    database: str, connection: psycopg.Connection, mosquitto: BrokerAddress, protocol: int
) -> None:
    register(connection)
    wanted = settings(database, mosquitto, share="intake", protocol=protocol, batch=50, linger_s=0.0)
    payloads = [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(1, 3001)]
    publisher = threading.Thread(target=publish, args=(mosquitto, payloads))
    with intake(wanted) as stays, intake(wanted) as leaves:
        assert eventually(lambda: _names(connection) == 2)
        assert eventually(lambda: _subscribed(connection, mosquitto))
        publisher.start()
        assert eventually(lambda: count(connection, "start") > 300)
        leaves.send_signal(signal.SIGTERM)
        assert leaves.wait(30) == 0
        publisher.join()
        assert eventually(lambda: count(connection, "start") == 3001), count(connection, "start")
        assert stays.poll() is None


@pytest.mark.mosquitto
@pytest.mark.parametrize("protocol", [4, 5])
def test_what_a_killed_intake_of_a_group_leaves_is_taken_in_by_another(
    database: str,
    connection: psycopg.Connection,
    mosquitto: BrokerAddress,
    protocol: int,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr("ingest.subscriber._HEIRS_S", 1.0)
    register(connection)
    alone = settings(database, mosquitto, protocol=protocol)
    wanted = settings(database, mosquitto, share="intake", protocol=protocol)
    with intake_thread(alone):  # it had everything alone, and its session is left behind too
        assert eventually(lambda: _subscribed(connection, mosquitto))

    def arrives() -> bool:
        publish(mosquitto, [("halfsecond/1/d-0001/starts", encode(start(1)))])
        return eventually(lambda: count(connection, "start") == 2, within_s=1)

    with intake(wanted) as killed:
        assert eventually(arrives)
        killed.kill()
        killed.wait()
    other = connect(database)  # holds its name, so that the next takes another, as when many begin at once
    assert eventually(lambda: lease.claim(other, "halfsecond-intake-1", numbered=False) is not None)
    with intake_thread(wanted):
        assert eventually(lambda: "under the name halfsecond-intake-2" in caplog.text)
        publish(mosquitto, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(2, 1001)])
        other.close()
        assert eventually(lambda: count(connection, "start") == 1001), count(connection, "start")
        assert eventually(lambda: "what was left under the name halfsecond-intake-1" in caplog.text)
        time.sleep(2.0)  # it may just be ending the session
    assert not _is_kept(mosquitto, "halfsecond-intake", protocol)
    assert not _is_kept(mosquitto, "halfsecond-intake-1", protocol)
    assert _is_kept(mosquitto, "halfsecond-intake-2", protocol)


def _is_kept(address: BrokerAddress, name: str, protocol: int) -> bool:
    """Whether the broker keeps a session under a name."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=name,
        protocol=MQTTProtocolVersion(protocol),
        clean_session=False if protocol == 4 else None,
    )
    kept: list[bool] = []
    client.on_connect = lambda _c, _u, flags, *_: kept.append(flags.session_present)
    client.connect(address.host, address.port, clean_start=False if protocol == 5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY)
    client.loop_start()
    assert eventually(lambda: bool(kept))
    client.disconnect()
    client.loop_stop()
    return kept[0]


def _names(connection: psycopg.Connection) -> int:
    """How many names at the broker are taken."""
    row = connection.execute(
        "select count(*) from pg_locks where locktype = 'advisory' and objsubid = 2 and granted and database ="
        " (select oid from pg_database where datname = current_database())"
    ).fetchone()
    assert row is not None
    return int(row[0])


def test_a_second_intake_of_one_name_waits_until_the_first_has_left(
    database: str, connection: psycopg.Connection, broker: BrokerAddress, caplog: pytest.LogCaptureFixture
) -> None:
    register(connection)
    wanted = settings(database, broker)
    announce(wanted)
    with intake(wanted) as first:
        assert eventually(lambda: _names(connection) == 1)
        with intake_thread(wanted):
            assert eventually(
                lambda: "the name halfsecond-intake at the broker is taken by an intake at" in caplog.text
            )
            publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(100)])
            assert eventually(lambda: count(connection, "start") == 100)
            assert "is ours now" not in caplog.text
            first.send_signal(signal.SIGKILL)
            first.wait()
            assert eventually(lambda: "the name halfsecond-intake is ours now" in caplog.text)
            publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(100, 200)])
            assert eventually(lambda: count(connection, "start") == 200)
    assert [r.message for r in caplog.records if "is taken by" in r.message or "away" in r.message] == [
        r.message for r in caplog.records if "is taken by" in r.message
    ]


def test_it_says_which_part_is_away_and_that_it_is_back(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    register(connection)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]

    def ready() -> str:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=5) as answer:
                return str(answer.read().decode())
        except urllib.error.HTTPError as error:
            with error:
                return str(error.read().decode())
        except OSError:
            return ""

    wire = _Wire(broker)
    with wire, intake_thread(settings(database, broker, port=wire.port, metrics_port=port)):
        assert eventually(lambda: ready() == "ok\n")
        wire.lets_through = False
        wire.cut()
        assert eventually(lambda: ready().startswith("broker is away: "))
        wire.lets_through = True
        assert eventually(lambda: ready() == "ok\n")


def test_a_database_that_goes_away_is_waited_for_and_nothing_is_lost(
    database: str, connection: psycopg.Connection, broker: BrokerAddress, caplog: pytest.LogCaptureFixture
) -> None:
    register(connection)
    wanted = settings(database, broker)
    announce(wanted)
    others = (
        "select pg_terminate_backend(pid) from pg_stat_activity"
        " where datname = current_database() and pid <> pg_backend_pid()"
    )
    with intake_thread(wanted):
        for first in range(0, 2_000, 500):
            publish(broker, [("halfsecond/1/d-0001/starts", encode(start(first + n))) for n in range(500)])
            connection.execute(others)
        assert eventually(lambda: count(connection, "start") == 2_000)
    assert any("database is away" in record.message for record in caplog.records)


def test_a_broker_that_goes_away_is_waited_for(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    register(connection)
    wire = _Wire(broker)
    with wire, intake_thread(settings(database, broker, port=wire.port)):
        assert eventually(lambda: _subscribed(connection, broker))
        wire.cut()
        publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(1, 101)])
        assert eventually(lambda: count(connection, "start") == 101)


def test_what_had_come_when_the_broker_died_is_stored_though_it_cannot_be_acknowledged(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    register(connection)
    wire = _Wire(broker)
    wanted = settings(database, broker, port=wire.port, linger_s=60, batch=1000)
    announce(settings(database, broker))
    publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(50)])
    with wire, intake_thread(wanted):
        assert eventually(lambda: wire.carried > 50 * len(encode(start(49))))
        time.sleep(0.5)  # from the wire into intake
        assert count(connection, "start") == 0
        wire.lets_through = False
        wire.cut()
        assert eventually(lambda: count(connection, "start") == 50)


class _Wire:
    """A line to the broker that can be cut: what runs over it breaks, and new calls go through."""

    def __init__(self, broker: BrokerAddress) -> None:
        self.broker, self.ends = broker, list[socket.socket]()
        self.lets_through, self.carried = True, 0
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]

    def __enter__(self) -> Self:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.listener.close()
        self.cut()

    def cut(self) -> None:
        for end in self.ends:
            with suppress(OSError):  # one end may have closed by itself
                end.shutdown(socket.SHUT_RDWR)
        self.ends.clear()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self.listener.accept()
            except OSError:
                return
            if not self.lets_through:
                near.close()
                continue
            far = socket.create_connection((self.broker.host, self.broker.port))
            self.ends += [near, far]
            for source, sink in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(source, sink), daemon=True).start()

    def _carry(self, source: socket.socket, sink: socket.socket) -> None:
        try:
            while part := source.recv(65_536):
                sink.sendall(part)
                self.carried += len(part)
        except OSError:
            pass
        finally:
            for end in (source, sink):
                end.close()


def test_intake_counts_what_it_does_for_prometheus_and_for_the_pages(
    database: str, connection: psycopg.Connection, broker: BrokerAddress
) -> None:
    account_id = register(connection)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    wanted = settings(database, broker, metrics_port=port)
    announce(wanted)
    messages = [("halfsecond/1/d-0001/starts", encode(start(n))) for n in (1, 2, 2)]
    publish(broker, [*messages, ("halfsecond/1/d-0001/starts", b"?"), ("halfsecond/1/d-9999/starts", b"?")])
    with intake_thread(wanted):
        assert eventually(lambda: count(connection, "quarantine") == 2 and count(connection, "start") == 2)

        def metrics() -> str:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics") as answer:
                return str(answer.read().decode())

        # Counted after the commit, so a moment later than the rows are seen.
        assert eventually(lambda: "halfsecond_intake_messages_total 5.0" in metrics())
        text = metrics()
    for line in ("messages_total 5.0", "rows_total 2.0", "doubles_total 1.0", "quarantined_total 2.0"):
        assert f"halfsecond_intake_{line}" in text
    query = (
        "select account_id, sum(received), sum(stored), sum(doubles), sum(quarantined) from intake_minute group by 1"
    )
    assert sorted(connection.execute(query).fetchall(), key=str) == sorted(
        [(account_id, 4, 2, 1, 1), (None, 1, 0, 0, 1)], key=str
    )


def test_a_broker_that_is_not_there_gives_one_line(database: str) -> None:
    with pytest.raises(UnavailableError, match=r"broker: cannot be reached at 127.0.0.1:1 \(.*\); is it running\?"):
        run(IntakeSettings(database=database, host="127.0.0.1", port=1), threading.Event())


def test_a_broker_that_never_answers_is_left_and_tried_again(
    database: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "ANSWER_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        with intake_thread(IntakeSettings(database=database, host="127.0.0.1", port=port)):
            assert eventually(lambda: "broker is away (no answer to our subscription)" in caplog.text)
            silent.settimeout(10)
            silent.accept()[0].close()
            silent.accept()[0].close()


def test_a_metrics_port_that_is_taken_gives_one_line(database: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UnavailableError, match=f"metrics port {port} cannot be had"):
            run(IntakeSettings(database=database, host="127.0.0.1", metrics_port=port), threading.Event())


def test_a_failure_nobody_foresaw_ends_the_program_with_one_line(
    database: str, connection: psycopg.Connection, broker: BrokerAddress, caplog: pytest.LogCaptureFixture
) -> None:
    register(connection)
    wanted = settings(database, broker)
    announce(wanted)
    publish(broker, [("halfsecond/1/d-0001/starts", encode(start(1)))])
    connection.execute("drop table heard")
    stop = threading.Event()
    threading.Timer(30, stop.set).start()
    began = time.monotonic()
    assert run(wanted, stop) == 1
    assert time.monotonic() - began < 20
    lines = [record.message for record in caplog.records if record.levelname == "ERROR"]
    assert len(lines) == 1
    assert "heard" in lines[0]
    assert "\n" not in lines[0]


@pytest.mark.mosquitto
def test_a_broker_that_refuses_the_password_is_told_in_one_line_without_it(database: str, data_folder: Path) -> None:
    with embedded_broker.running(data_folder, "mosquitto", devices={}) as running:
        wanted = settings(database, running.address, user="halfsecond-intake", password="geheim")
        with pytest.raises(UnavailableError) as caught:
            run(wanted, threading.Event())
        line = str(caught.value)
        assert "refuses us" in line
        assert "check user (halfsecond-intake), password and rules" in line
        assert "geheim" not in line
        right = settings(database, running.address, user=running.address.user, password=running.address.password)
        with intake_thread(right):
            time.sleep(0.5)  # long enough for a refusal to come


@pytest.mark.mosquitto
def test_what_another_logger_sends_is_taken_in_by_its_mapping(
    database: str, connection: psycopg.Connection, mosquitto: BrokerAddress, tmp_path: Path
) -> None:
    file = tmp_path / "gateway.toml"
    fields = '[starts.fields]\nseq = "/n"\nat = "/t"\noutcome = { value = "ran" }\n'
    file.write_text(f'[starts]\ntopic = "plant/{{device}}/done"\n{fields}', encoding="utf-8")
    register(connection)
    sent = encode({"n": 1, "t": "2024-01-14T12:00:00Z"})
    with intake_thread(settings(database, mosquitto, mapping=str(file))):
        # Until intake has subscribed nobody takes it; sent again it falls on its key.
        assert eventually(lambda: publish(mosquitto, [("plant/d-0001/done", sent)]) and count(connection, "start") == 1)
        publish(mosquitto, [("halfsecond/1/d-0001/starts", encode(start(2)))])
        assert eventually(lambda: count(connection, "start") == 2)
    assert count(connection, "quarantine") == 0
