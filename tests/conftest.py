"""What every test may ask for: a database of its own, and a broker of its own."""

from __future__ import annotations

import os
import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy.embedded import broker as embedded_broker
from deploy.embedded import postgres as embedded_postgres
from deploy.embedded.broker import BrokerAddress
from ingest.database import migrate

# Files as they stand, several times quicker than page by page through the log.
COPY = "create database {} template {} strategy file_copy"


@pytest.fixture(scope="session")
def open_folder() -> Iterator[Path]:
    """A folder of the session that other users may enter (pytest's own are closed, and the server is no root)."""
    folder = Path(tempfile.mkdtemp(prefix="halfsecond-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def data_folder(open_folder: Path) -> Path:
    """A fresh data folder for one test, which other users may enter."""
    folder = open_folder / uuid.uuid4().hex[:12]
    folder.mkdir()
    folder.chmod(0o755)
    return folder


@pytest.fixture(scope="session")
def postgres(open_folder: Path) -> Iterator[str]:
    """The conninfo of a server: one embedded server a session, or the one that HALFSECOND_TEST_DATABASE names."""
    given = os.environ.get("HALFSECOND_TEST_DATABASE")
    if given:
        yield given
        return
    # Nothing of it outlives the session, so nothing has to reach the disk.
    careless = {"fsync": "off", "full_page_writes": "off", "synchronous_commit": "off", "max_wal_size": "8GB"}
    with embedded_postgres.running(open_folder / "postgres-of-session", options=careless) as server:
        yield server.conninfo


@pytest.fixture(scope="session")
def template_database(postgres: str) -> Iterator[str]:
    """The name of a migrated, empty database that the tests' own are copied from."""
    with template(postgres, migrate) as name:
        yield name


@pytest.fixture
def database(postgres: str, template_database: str) -> Iterator[str]:
    """The conninfo of a fresh, migrated, empty database for one test."""
    with copied(postgres, template_database) as conninfo:
        yield conninfo


@contextmanager
def template(postgres: str, fill: Callable[[str], object], source: str = "template1") -> Iterator[str]:
    """Yield the name of a database to copy others from: a copy of another, filled by what is given its conninfo."""
    name = f"template_{uuid.uuid4().hex[:12]}"
    _administer(postgres, COPY, name, source)
    try:
        fill(make_conninfo(postgres, dbname=name))
        # No database is copied while anybody is in it, and TimescaleDB's own workers go into each that lets them.
        _administer(postgres, "alter database {} with allow_connections false", name)
        with psycopg.connect(postgres, autocommit=True) as connection:
            connection.execute(
                "select pg_terminate_backend(pid, 10000) from pg_stat_activity where datname = %s", (name,)
            )
        yield name
    finally:
        _administer(postgres, "drop database {} with (force)", name)


@contextmanager
def copied(postgres: str, source: str) -> Iterator[str]:
    """Yield the conninfo of a copy of a template, which goes with the block."""
    name = f"test_{uuid.uuid4().hex[:12]}"
    _administer(postgres, COPY, name, source)
    try:
        yield make_conninfo(postgres, dbname=name)
    finally:
        _administer(postgres, "drop database {} with (force)", name)


@pytest.fixture
def partitioned(database: str) -> None:
    """Let the test run only where the series are daily partitions, as they are on plain PostgreSQL."""
    if _has_hypertables(database):
        pytest.skip("the server of HALFSECOND_TEST_DATABASE offers TimescaleDB: its chunks make themselves")


@pytest.fixture
def hypertables(database: str) -> None:
    """Let the test run only where the series are hypertables."""
    if not _has_hypertables(database):
        pytest.skip("no TimescaleDB here: name a server that offers it by HALFSECOND_TEST_DATABASE")


@pytest.fixture(params=[pytest.param("mosquitto", marks=pytest.mark.mosquitto), "iotcore"])
def broker(request: pytest.FixtureRequest, data_folder: Path) -> Iterator[BrokerAddress]:
    """The address of a fresh broker that lets anybody in: each test runs once with either kind."""
    with embedded_broker.running(data_folder, request.param, devices=None) as running:
        yield running.address


@pytest.fixture
def mosquitto(data_folder: Path) -> Iterator[BrokerAddress]:
    """The address of a fresh mosquitto that lets anybody in; mark the test ``mosquitto``."""
    with embedded_broker.running(data_folder, "mosquitto", devices=None) as running:
        yield running.address


def _has_hypertables(conninfo: str) -> bool:
    with psycopg.connect(conninfo) as connection:
        row = connection.execute("select count(*) from pg_extension where extname = 'timescaledb'").fetchone()
    return bool(row and row[0])


def _administer(conninfo: str, statement: str, *names: str) -> None:
    with psycopg.connect(conninfo, autocommit=True) as connection:
        connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))
