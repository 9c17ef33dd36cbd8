from __future__ import annotations

import time
from contextlib import ExitStack
from pathlib import Path

import paho.mqtt.publish as paho
import pytest
from msgspec.structs import replace
from paho.mqtt import MQTTException

from deploy import stack
from deploy.embedded.process import free_port
from deploy.settings import Settings
from ingest import database as databases
from ingest import store
from ingest.errors import BadInputError
from ingest.passwords import broker_password_hash

pytestmark = pytest.mark.stack


def test_the_only_account_there_is_is_shown_and_a_first_one_is_made(database: str) -> None:
    settings = Settings(database=database)
    assert stack.account_name(settings) == stack.FIRST_ACCOUNT
    assert stack.account_name(settings) == stack.FIRST_ACCOUNT
    assert stack.account_name(replace(settings, account="Second")) == "Second"
    with pytest.raises(BadInputError, match="which of the 2 accounts"):
        stack.account_name(settings)


def test_a_named_database_and_broker_are_used_and_nothing_is_started(database: str, data_folder: Path) -> None:
    settings = Settings(database=database, broker="mqtt://broker.example:1883", data=data_folder / "unused")
    with ExitStack() as cleanup:
        running = stack.start(settings, cleanup)
        assert running.services == []
        assert running.broker is None
        stack.admit_devices(running)
    assert not (data_folder / "unused").exists()


def test_the_memory_broker_gets_batches_no_larger_than_its_window(
    database: str, data_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = Settings(database=database, data=data_folder, broker_kind="iotcore", broker_protocol="5")
    with ExitStack() as cleanup:
        running = stack.start(settings, cleanup)
        assert running.broker is not None
        assert running.settings.batch == stack.IOTCORE_BATCH
        assert running.settings.broker == f"mqtt://127.0.0.1:{running.broker.address_5.port}"
    assert "die with it" in capsys.readouterr().err


@pytest.mark.mosquitto
def test_a_device_added_in_the_database_may_publish_and_a_removed_one_may_not(database: str, data_folder: Path) -> None:
    settings = Settings(database=database, data=data_folder, broker_kind="mosquitto", broker_port=free_port())

    def may_publish() -> bool:
        try:
            paho.single(
                "halfsecond/1/d-1/status",
                b"{}",
                qos=1,
                port=settings.broker_port or 0,
                auth={"username": "d-1", "password": "word"},
            )
        except MQTTException:
            return False
        return True

    def settles_at(wanted: bool) -> bool:
        deadline = time.monotonic() + 10
        while may_publish() != wanted and time.monotonic() < deadline:
            time.sleep(0.1)
        return may_publish() == wanted

    with ExitStack() as cleanup, databases.connect(database) as connection:
        running = stack.start(settings, cleanup)
        assert not may_publish()
        account_id = store.account(connection, stack.FIRST_ACCOUNT)
        unit_id = store.unit_ids(connection, account_id, ["u-1"], create=True)["u-1"]
        connection.execute(
            "insert into device (device, account_id, unit_id, password_hash) values ('d-1', %s, %s, %s)",
            (account_id, unit_id, broker_password_hash("word")),
        )
        stack.admit_devices(running)
        assert settles_at(True)
        connection.execute("update device set removed_at = now()")
        stack.admit_devices(running)
        assert settles_at(False)
