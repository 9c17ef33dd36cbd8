"""Loggers that publish: every record arrives, under its own device's name, whatever else happens."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import msgspec
import paho.mqtt.client as mqtt
import pandas as pd
import pytest

from deploy.embedded import broker as embedded_broker
from deploy.embedded.broker import BrokerAddress
from ingest.errors import UnavailableError
from ingest.passwords import broker_password_hash
from ingest.wire import Event, Rest, Start, Status
from simulator.fleet import Fleet, simulate
from simulator.publish import publish

TYPES = {"starts": Start, "rests": Rest, "events": Event, "status": Status}


@dataclass
class Heard:
    """What a subscriber has heard: kind, device and record, doubles and all."""

    records: list[tuple[str, str, msgspec.Struct]] = field(default_factory=list)

    def keys(self, kind: str) -> set[tuple[str, int]]:
        return {(device, getattr(record, "seq", -1)) for k, device, record in self.records if k == kind}


@contextlib.contextmanager
def listening(address: BrokerAddress) -> Iterator[Heard]:
    heard = Heard()
    subscribed = threading.Event()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "listener")
    if address.user is not None:
        client.username_pw_set(address.user, address.password)

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        *_, device, kind = message.topic.split("/")
        found = msgspec.json.decode(message.payload, type=list[TYPES[kind]] | TYPES[kind])  # type: ignore[misc]
        heard.records += [(kind, device, r) for r in (found if isinstance(found, list) else [found])]

    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(address.host, address.port)
    client.subscribe("halfsecond/1/#", 1)
    client.loop_start()
    try:
        assert subscribed.wait(10)
        yield heard
        time.sleep(0.5)
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(6, 12, 2)


def expected(fleet: Fleet, kind: str) -> set[tuple[str, int]]:
    table: pd.DataFrame = getattr(fleet, kind)
    return {(unit.replace("u-", "d-"), seq) for unit, seq in zip(table["unit"], table["seq"], strict=True)}


@pytest.mark.stack
def test_history_and_live_play_bring_every_record_once_or_oftener(broker: BrokerAddress, fleet: Fleet) -> None:
    since = fleet.starts["at"].min() + timedelta(days=11)
    with listening(broker) as heard:
        count = publish(fleet, broker, {}, speed=40_000, since=since.to_pydatetime())
    for kind in ("starts", "rests", "events"):
        assert heard.keys(kind) == expected(fleet, kind)
        assert count[kind] == sum(k == kind for k, _, _ in heard.records)
    assert any(record.wave for kind, _, record in heard.records if kind == "starts")
    last = {device: record for kind, device, record in heard.records if kind == "status" and record.online}
    newest = fleet.starts.groupby("unit")["seq"].max()
    assert {d: r.sent for d, r in last.items()}.keys() == {f"d-000{n}" for n in range(1, 7)}
    assert all(0 < last[u.replace("u-", "d-")].sent <= seq for u, seq in newest.items())


def with_spells(fleet: Fleet, unit: str, **told: object) -> Fleet:
    """Return the fleet with another truth about one unit's logger, and none about the others'."""
    plain: dict[str, object] = {"clock": None, "offline": []}
    columns = {
        name: [told.get(name, empty) if u == unit else empty for u in fleet.truth["unit"]]
        for name, empty in plain.items()
    }
    return replace(fleet, truth=fleet.truth.assign(**{k: pd.Series(v, dtype=object) for k, v in columns.items()}))


@pytest.mark.stack
def test_a_logger_that_goes_off_line_is_told_of_by_its_last_will_and_loses_nothing(
    broker: BrokerAddress, fleet: Fleet
) -> None:
    since = fleet.starts["at"].min().floor("D") + timedelta(days=11)
    spell = {"from": f"{since + timedelta(hours=4):%FT%TZ}", "to": f"{since + timedelta(hours=16):%FT%TZ}"}
    told = with_spells(fleet, "u-0003", offline=[spell])
    with listening(broker) as heard:
        publish(told, broker, {}, speed=30_000, since=since.to_pydatetime())
    assert heard.keys("starts") == expected(fleet, "starts")
    mine = [record.online for kind, device, record in heard.records if (kind, device) == ("status", "d-0003")]
    assert [online for n, online in enumerate(mine) if n == 0 or online != mine[n - 1]] == [True, False, True, False]
    other = [record.online for kind, device, record in heard.records if (kind, device) == ("status", "d-0004")]
    assert other.index(False) == len(other) - 1


@pytest.mark.stack
def test_while_its_clock_is_wrong_a_logger_says_so(broker: BrokerAddress, fleet: Fleet) -> None:
    since = fleet.starts["at"].min().floor("D") + timedelta(days=11)
    clock = {
        "from": f"{since - timedelta(days=2):%FT%TZ}",
        "to": f"{since + timedelta(hours=12):%FT%TZ}",
        "offset_s": -60.0,
        "drift_s_per_day": 2.0,
    }
    with listening(broker) as heard:
        publish(with_spells(fleet, "u-0002", clock=clock), broker, {}, speed=30_000, since=since.to_pydatetime())
    said = {
        device: [r.clock_ok for kind, d, r in heard.records if (kind, d) == ("status", device) and r.online]
        for device in ("d-0002", "d-0003")
    }
    assert said["d-0002"][0] is False
    assert said["d-0002"][-1] is True
    assert set(said["d-0003"]) == {True}


@pytest.mark.stack
def test_told_to_stop_it_ends_at_once_and_says_good_bye(broker: BrokerAddress, fleet: Fleet) -> None:
    stop = threading.Event()
    since = fleet.starts["at"].min() + timedelta(days=6)
    threading.Timer(1.5, stop.set).start()
    begun = time.monotonic()
    with listening(broker) as heard:
        count = publish(fleet, broker, {}, speed=1, since=since.to_pydatetime(), stop=stop)
        assert time.monotonic() - begun < 4
    assert 0 < count["starts"] < len(fleet.starts)
    last = {device: record.online for kind, device, record in heard.records if kind == "status"}
    assert last == {f"d-000{n}": False for n in range(1, 7)}


@pytest.mark.stack
@pytest.mark.mosquitto
def test_each_device_signs_in_with_its_own_password_and_a_wrong_one_is_named(data_folder: Path, fleet: Fleet) -> None:
    passwords = {device: f"secret of {device}" for device in fleet.units["device"]}
    hashes = {device: broker_password_hash(text) for device, text in passwords.items()}
    with embedded_broker.running(data_folder, "mosquitto", hashes) as running:
        with listening(running.address) as heard:
            publish(fleet, running.address, passwords)
        assert heard.keys("starts") == expected(fleet, "starts")
        with pytest.raises(UnavailableError, match="the broker refuses device d-0003"):
            publish(fleet, running.address, passwords | {"d-0003": "wrong"})


@pytest.mark.stack
def test_no_broker_is_one_line_with_the_remedy(fleet: Fleet) -> None:
    nowhere = BrokerAddress("127.0.0.1", 1)
    with pytest.raises(UnavailableError, match=r"127\.0\.0\.1:1: no broker answers there .*start it or name another"):
        publish(fleet, nowhere, {})


@pytest.mark.stack
@pytest.mark.mosquitto
def test_a_broker_that_goes_away_and_comes_back_loses_nothing(data_folder: Path, fleet: Fleet) -> None:
    first = embedded_broker.start(data_folder, "mosquitto", None)
    since = fleet.starts["at"].min() + timedelta(days=11)
    count: dict[str, int] = {}
    loggers = threading.Thread(
        target=lambda: count.update(publish(fleet, first.address, {}, speed=20_000, since=since.to_pydatetime()))
    )
    loggers.start()
    time.sleep(1.5)
    embedded_broker.halt(first)
    time.sleep(1)
    second = embedded_broker.start(data_folder, "mosquitto", None, first.address.port)
    try:
        loggers.join(30)
        assert not loggers.is_alive()
    finally:
        embedded_broker.halt(second)
    for kind in ("starts", "rests", "events"):
        assert count[kind] >= len(getattr(fleet, kind))
