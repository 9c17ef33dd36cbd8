"""A disk that is full is waited for like a database that is away, and nothing is lost."""

from __future__ import annotations

import os
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy.embedded import folder as data_folders
from deploy.embedded.broker import BrokerAddress
from ingest.database import connect
from tests.ingest.intake_helpers import (
    announce,
    count,
    encode,
    eventually,
    intake_thread,
    publish,
    register,
    settings,
    start,
)

STARTS = 8_000


@pytest.fixture
def small_disk(postgres: str, database: str, data_folder: Path) -> Iterator[tuple[str, Path]]:
    """The database's address with every new table on a file system of 0.6 MB, and where that is mounted."""
    if os.geteuid() != 0 or os.environ.get("HALFSECOND_TEST_DATABASE"):
        pytest.skip("a small file system under the embedded server is root's to make")
    place = data_folder / "small"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", place], check=False)
    if mounted.returncode:
        pytest.skip("no file system can be mounted here")
    name = f"small_{uuid.uuid4().hex[:12]}"
    account = data_folders.unprivileged()
    assert account is not None
    shutil.chown(place, account.uid, account.gid)
    try:
        with psycopg.connect(postgres, autocommit=True) as connection:
            connection.execute(
                sql.SQL("create tablespace {} location {}").format(sql.Identifier(name), sql.Literal(str(place)))
            )
        yield make_conninfo(database, options=f"-c default_tablespace={name}"), place
        with connect(database) as connection:
            connection.execute("drop table start")
        with psycopg.connect(postgres, autocommit=True) as connection:
            connection.execute(sql.SQL("drop tablespace {}").format(sql.Identifier(name)))
    finally:
        subprocess.run(["umount", "-l", place], check=True)


@pytest.mark.stack
def test_a_full_disk_is_waited_for_and_when_there_is_room_again_every_start_is_stored(
    small_disk: tuple[str, Path], broker: BrokerAddress, caplog: pytest.LogCaptureFixture
) -> None:
    conninfo, place = small_disk
    with connect(conninfo) as connection:
        register(connection)
        wanted = settings(conninfo, broker)
        announce(wanted)
        publish(broker, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(STARTS)])
        with intake_thread(wanted):
            assert eventually(lambda: "No space left on device" in caplog.text)
            assert count(connection, "start") < STARTS
            subprocess.run(["mount", "-o", "remount,size=200m", place], check=True)
            assert eventually(lambda: count(connection, "start") == STARTS)
            assert count(connection, "quarantine") == 0
