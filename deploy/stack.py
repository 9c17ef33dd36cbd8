"""The embedded stack: database and broker started, migrated, kept alive, and the broker told of its devices."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import psycopg
from msgspec.structs import replace

from deploy import broker_users, supervise
from deploy.embedded import broker as embedded_broker
from deploy.embedded import folder, postgres
from deploy.embedded.broker import Broker, BrokerAddress
from deploy.settings import Settings
from deploy.supervise import Service
from ingest import database, store
from ingest.errors import BadInputError, UnavailableError
from ingest.named_sql import queries

IOTCORE_BATCH = 100
"""The memory broker keeps 100 messages in flight at most: a larger batch would wait for ones that cannot come."""

FIRST_ACCOUNT = "main"


@dataclass
class Stack:
    """What runs: the settings with the addresses filled in, the services to look after, and the embedded broker."""

    settings: Settings
    services: list[Service]
    broker: Broker | None = None
    devices: dict[str, str] | None = None


def start(settings: Settings, cleanup: ExitStack, prepare: Callable[[str], None] | None = None) -> Stack:
    """Start what the settings do not name, and bring the database up to date.

    Parameters
    ----------
    settings
        An address of a database or a broker in them is used as it is; what is missing is started over ``data``.
    cleanup
        Gets what ends the parts again, in order.
    prepare
        Called with the conninfo of the database before it is migrated.

    Raises
    ------
    UnavailableError
        In one line, as everything that cannot be had.
    """
    if settings.database is None or settings.broker is None:
        data = cleanup.enter_context(folder.claimed(settings.data))
        settings = replace(settings, data=data)
    services: list[Service] = []
    if settings.database is None:
        server = postgres.start(settings.data)
        service = Service("database", _database_again(settings.data, server.port), postgres.end)
        _keep(service, server.process, services, cleanup)
        settings = replace(settings, database=server.conninfo_of(postgres.ROLE))
    assert settings.database is not None
    if prepare is not None:
        prepare(settings.database)
    database.migrate(settings.database)
    settings = replace(settings, account=account_name(settings))
    stack = Stack(settings, services)
    if settings.broker is None:
        _start_broker(stack, cleanup)
    return stack


def account_name(settings: Settings) -> str:
    """Return the account whose units the pages show, making the named one, or ``main`` where there is none at all.

    Raises
    ------
    BadInputError
        There are several, and the settings name none.
    """
    assert settings.database is not None
    with database.connect(settings.database) as connection:
        name = settings.account
        if name is None:
            there = [row[0] for row in connection.execute(queries("deploy", "sql/admin.sql")["accounts_by_name"])]
            if len(there) > 1:
                raise BadInputError(f"HALFSECOND_ACCOUNT: name which of the {len(there)} accounts the pages show")
            name = str(there[0]) if there else FIRST_ACCOUNT
        store.account(connection, name, create=True)
    return name


def _start_broker(stack: Stack, cleanup: ExitStack) -> None:
    settings = stack.settings
    kind = embedded_broker.choose(settings.broker_kind)
    if kind == "iotcore":
        why = "is chosen" if settings.broker_kind == "iotcore" else "stands in for mosquitto, which is not installed"
        supervise.say(f"the broker in memory {why}: {embedded_broker.IOTCORE_LOSES}")
        settings = replace(settings, batch=min(settings.batch, IOTCORE_BATCH))
    assert settings.database is not None
    stack.devices = broker_users.devices(settings.database)
    topics = broker_users.topics_of(settings.mapping)
    stack.broker = embedded_broker.start(settings.data, kind, stack.devices, settings.broker_port, topics=topics)
    first = stack.broker

    def again() -> subprocess.Popen[bytes]:
        stack.broker = embedded_broker.start(
            settings.data, kind, stack.devices or {}, first.address.port, first.address.password, topics
        )
        return stack.broker.process

    _keep(Service("broker", again), first.process, stack.services, cleanup)
    stack.settings = with_broker(settings, first.address if settings.broker_protocol == "3.1.1" else first.address_5)


def with_broker(settings: Settings, address: BrokerAddress) -> Settings:
    """Return the settings with a broker's address filled in."""
    return replace(
        settings,
        broker=f"mqtt://{address.host}:{address.port}",
        broker_user=address.user,
        broker_password=address.password,
    )


def admit_devices(stack: Stack) -> None:
    """Tell the embedded broker of devices added or removed since the last call."""
    if stack.broker is None or stack.settings.database is None:
        return
    try:
        users = broker_users.devices(stack.settings.database)
    except (UnavailableError, psycopg.Error):  # the database is being started again: the next call will do
        return
    if users != stack.devices:
        stack.devices = users
        embedded_broker.admit(stack.broker, users)


def _database_again(data: Path, port: int) -> Callable[[], subprocess.Popen[bytes]]:
    return lambda: postgres.start(data, port).process


def _keep(service: Service, process: subprocess.Popen[bytes], services: list[Service], cleanup: ExitStack) -> None:
    service.process = process
    services.append(service)
    cleanup.callback(supervise.end, service)
