"""The demo's loggers, as a child process: simulates a fleet, registers it, and publishes its winter over MQTT.

Visits and forecasts do not come from loggers; they are stored as the data's own clock passes them.
"""

from __future__ import annotations

import contextlib
import logging
import sys
import threading
from collections.abc import Callable
from datetime import datetime

import msgspec
import pandas as pd
import psycopg
from paho.mqtt import MQTTException, publish
from paho.mqtt.enums import MQTTProtocolVersion

from deploy import settings as environment
from deploy.embedded.broker import BrokerAddress
from deploy.serve import stop_event
from deploy.settings import Settings
from deploy.supervise import say
from ingest import database, store
from ingest.errors import HalfsecondError, UnavailableError
from ingest.named_sql import queries
from ingest.passwords import broker_password_hash, new_secret
from ingest.wire import TOPIC_ROOT

PATIENCE_S = 120.0
"""Longest wait for the broker to know the devices and for intake to store what they say."""

CLOCK_STEP_S = 1.0


class Order(msgspec.Struct, frozen=True, kw_only=True):
    """What to simulate (``units``, ``days`` from ``first``, ``seed``) and how to play it.

    What lies before ``live_from`` is published at full speed, what follows at ``speed`` seconds a second.
    """

    units: int
    days: int
    seed: int
    first: datetime
    live_from: datetime
    speed: float


def main() -> int:
    """Run the order that stands on the command line until it is done or we are told to stop."""
    order = msgspec.json.decode(sys.argv[1], type=Order)
    try:
        with stop_event() as stop:
            play(order, environment.read(), stop)
    except HalfsecondError as error:
        say(f"loggers: {error}")
        return 2
    return 0


def play(order: Order, settings: Settings, stop: threading.Event) -> None:
    """Simulate, register, publish; return when the winter is over or ``stop`` is set.

    Raises
    ------
    UnavailableError
        Nothing that is published arrives in the database within ``PATIENCE_S``.
    """
    from simulator import fleet, publish as loggers  # noqa: I001, PLC0415 - slow to load, and only wanted here

    broker = settings.broker_address()
    assert broker is not None
    assert settings.database is not None
    say(f"simulating {order.units} units over {order.days} days")
    simulated = fleet.simulate(order.units, order.days, order.seed, order.first)
    with database.connect(settings.database) as connection:
        account_id = store.account(connection, str(settings.account))
        passwords = register(connection, account_id, simulated.units)
        wait_for_intake(connection, account_id, broker, passwords, stop)
    over = threading.Event()
    arguments = (settings.database, account_id, simulated.visits, simulated.forecasts, over, stop)
    follower = threading.Thread(target=follow, args=arguments, daemon=True)
    follower.start()
    sent: dict[str, int] = {}
    try:
        if not stop.is_set():
            sent = loggers.publish(
                simulated, broker, passwords, speed=order.speed, since=order.live_from, stop=stop, progress=True
            )
    finally:
        over.set()
        follower.join(10)
    if not stop.is_set():
        say(f"the winter is over: {sum(sent.values()):,} records were published; the pages stay up")


def register(connection: psycopg.Connection, account_id: int, units: pd.DataFrame) -> dict[str, str]:
    """Store the units with their devices, give each device a broker password, and return the passwords."""
    store.put_units(connection, account_id, units)
    passwords = {device: new_secret() for device in units["device"].dropna()}
    rows = [
        {"account_id": account_id, "device": device, "password_hash": broker_password_hash(password)}
        for device, password in passwords.items()
    ]
    with connection.transaction(), connection.cursor() as cursor:
        cursor.executemany(queries("deploy", "sql/stack.sql")["set_password_hash"], rows)
    return passwords


def wait_for_intake(
    connection: psycopg.Connection,
    account_id: int,
    broker: BrokerAddress,
    passwords: dict[str, str],
    stop: threading.Event,
) -> None:
    """Have one device say that it is on line until that arrives in the database.

    What is published before intake has subscribed for the first time is kept by no broker.
    """
    device, password = next(iter(passwords.items()))
    # That the broker does not know the device yet is no news: its table is on the way.
    logging.getLogger("paho.mqtt").setLevel(logging.CRITICAL)
    for _ in range(int(PATIENCE_S / 0.5)):
        with contextlib.suppress(MQTTException, OSError):
            publish.single(
                f"{TOPIC_ROOT}/{device}/status",
                b'{"online": true}',
                qos=1,
                hostname=broker.host,
                port=broker.port,
                auth={"username": device, "password": password} if broker.user else None,
                protocol=MQTTProtocolVersion(broker.protocol_version),
            )
        if stop.wait(0.5):
            return
        arrived = queries("deploy", "sql/stack.sql")["has_status"]
        if connection.execute(arrived, {"account_id": account_id, "device": device}).fetchone():
            return
    raise UnavailableError(
        f"nothing that is published arrives in the database within {PATIENCE_S:g} s; is intake running?"
    )


def follow(
    conninfo: str,
    account_id: int,
    visits: pd.DataFrame,
    forecasts: pd.DataFrame,
    over: threading.Event,
    stop: threading.Event,
) -> None:
    """Store visits and issues of the forecast once the newest start that was heard is later than they are.

    Once all starts are published, ``over`` and not merely told to ``stop``, what is left is due: intake may be behind.
    """
    puts: list[tuple[Callable[..., object], pd.DataFrame, str]] = [
        (store.put_visits, visits.sort_values("at"), "at"),
        (store.put_forecasts, forecasts.sort_values("issued"), "issued"),
    ]
    while True:
        last = over.wait(CLOCK_STEP_S)
        try:
            with database.connect(conninfo) as connection:
                newest = queries("deploy", "sql/stack.sql")["newest_start"]
                row = connection.execute(newest, {"account_id": account_id}).fetchone()
                now = row[0] if row else None
                for number, (put, waiting, column) in enumerate(puts):
                    if last and not stop.is_set():
                        due = waiting
                    else:
                        due = waiting[waiting[column] <= now] if now is not None else waiting[:0]
                    if len(due):
                        put(connection, account_id, due)
                        puts[number] = (put, waiting[len(due) :], column)
        except (UnavailableError, psycopg.Error) as error:
            say(f"loggers: visits and forecasts wait for the database ({error})")
        if last:
            return


if __name__ == "__main__":
    raise SystemExit(main())
