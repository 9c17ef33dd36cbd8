"""Loggers of another kind reach the table through the embedded mosquitto, each under its own name only."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import paho.mqtt.publish as paho
import pytest
from msgspec.structs import replace

from deploy import stack
from deploy.settings import Settings
from ingest.database import connect
from ingest.passwords import broker_password_hash
from ingest.subscriber import IntakeSettings
from tests.ingest.intake_helpers import count, eventually, intake_thread, register

MAPPING = """\
[starts]
topic = "site/{device}/started"
[starts.fields]
seq = "/n"
at = "/t"
outcome = { value = "ran" }
"""


@pytest.mark.stack
@pytest.mark.mosquitto
def test_a_mapped_loggers_start_is_stored_and_another_devices_name_is_closed_to_it(
    database: str, data_folder: Path
) -> None:
    (data_folder / "other.toml").write_text(MAPPING)
    settings = Settings(database=database, data=data_folder / "data", broker_kind="mosquitto", account="main")
    settings = replace(settings, mapping=data_folder / "other.toml")
    with connect(database) as connection, ExitStack() as cleanup:
        register(connection, units=2, name="main")
        connection.execute("update device set password_hash = %s", (broker_password_hash("word"),))
        running = stack.start(settings, cleanup)
        address = running.settings.broker_address()
        assert address is not None
        wanted = IntakeSettings(
            database=database,
            host=address.host,
            port=address.port,
            user=address.user,
            password=address.password,
            mapping=str(settings.mapping),
        )

        def told() -> bool:
            for number, device in enumerate(("d-0001", "d-0002")):
                paho.single(
                    f"site/{device}/started",
                    f'{{"n": {number}, "t": "2024-01-14T12:00:00Z"}}',
                    qos=1,
                    port=address.port,
                    auth={"username": "d-0001", "password": "word"},
                )
            return eventually(lambda: count(connection, "start") > 0, within_s=1)

        with intake_thread(wanted):
            assert eventually(told)
        assert connection.execute("select seq from start").fetchall() == [(0,)]
        assert count(connection, "quarantine") == 0
