from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import psycopg
import pytest

from deploy import feed, stack
from deploy.embedded import broker
from deploy.settings import Settings
from ingest import database as databases
from ingest import frames, store, subscriber
from ingest.errors import UnavailableError
from ingest.records import Forecast, ForecastHour, Unit, Visit

pytestmark = pytest.mark.stack
FIRST = datetime(2031, 1, 1, tzinfo=UTC)


@contextmanager
def account(database: str) -> Iterator[tuple[psycopg.Connection, int]]:
    with databases.connect(database) as connection:
        yield connection, store.account(connection, "Larkfell Heating (example)", create=True)


def units() -> pd.DataFrame:
    return frames.from_records("units", [Unit(unit=f"u-{n}", site="s-1", device=f"d-{n}") for n in (1, 2)])


@pytest.mark.mosquitto
def test_the_demos_devices_are_let_in_by_their_passwords_and_heard_by_intake(data_folder: Path, database: str) -> None:
    settings = Settings(database=database)
    with broker.running(data_folder, "mosquitto", {}) as running, account(database) as (connection, account_id):
        passwords = feed.register(connection, account_id, units())
        assert set(passwords) == {"d-1", "d-2"}
        running_stack = stack.Stack(settings, [], running, {})
        stack.admit_devices(running_stack)
        assert set(running_stack.devices or {}) == set(passwords)
        address = running.address
        intake = subscriber.IntakeSettings(database, address.host, address.port, address.user, address.password)
        stop = threading.Event()
        thread = threading.Thread(target=subscriber.run, args=(intake, stop))
        thread.start()
        try:
            feed.wait_for_intake(connection, account_id, address, passwords, stop)
            found = connection.execute("select device, online from device_status").fetchall()
        finally:
            stop.set()
            thread.join(10)
        assert found == [("d-1", True)]


def test_silence_where_intake_should_be_gives_one_line(
    data_folder: Path, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed, "PATIENCE_S", 1.0)
    with broker.running(data_folder, "iotcore", None) as running, account(database) as (connection, account_id):
        passwords = feed.register(connection, account_id, units())
        with pytest.raises(UnavailableError, match="is intake running"):
            feed.wait_for_intake(connection, account_id, running.address, passwords, threading.Event())


def test_visits_and_forecasts_are_stored_once_the_data_has_come_so_far(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feed, "CLOCK_STEP_S", 0.05)
    days = [FIRST + timedelta(days=n) for n in range(4)]
    visits = frames.from_records("visits", [Visit(unit="u-1", at=day, work=["other"]) for day in days])
    hours = [ForecastHour(at=FIRST, outdoor_c=-5.0)]
    forecasts = frames.from_records("forecasts", [Forecast(site="s-1", issued=day, hours=hours) for day in days])
    with account(database) as (connection, account_id):
        store.put_units(connection, account_id, units())

        over, stop = threading.Event(), threading.Event()
        over.set()
        stop.set()

        def stored_after(now: datetime | None) -> tuple[int, int]:
            if now is not None:
                unit_id = store.unit_ids(connection, account_id, ["u-1"])["u-1"]
                connection.execute("delete from heard")
                connection.execute(
                    "insert into heard (unit_id, account_id, last_at, last_received_at) values (%s, %s, %s, now())",
                    (unit_id, account_id, now),
                )
            feed.follow(database, account_id, visits, forecasts, over, stop)
            seen = store.read_visits(connection, account_id), store.read_forecasts(connection, account_id)
            return len(seen[0]), len(seen[1])

        assert stored_after(None) == (0, 0)
        assert stored_after(FIRST + timedelta(days=1, hours=1)) == (2, 2)
        # All starts are published, and intake has come so far only: the rest is due.
        stop.clear()
        assert stored_after(FIRST + timedelta(days=2, hours=1)) == (4, 4)
