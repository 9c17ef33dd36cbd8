from __future__ import annotations

import os
import signal
import subprocess
from pathlib import Path

import psycopg
import pytest

from deploy.embedded import postgres
from ingest.errors import UnavailableError

pytestmark = pytest.mark.stack


def test_rows_committed_before_a_kill_are_there_after_the_restart(data_folder: Path) -> None:
    server = postgres.start(data_folder)
    with psycopg.connect(server.conninfo_of("halfsecond")) as connection:
        connection.execute("create table kept (n int)")
        connection.execute("insert into kept select generate_series(1, 1000)")
    os.kill(server.process.pid, signal.SIGKILL)
    server.process.wait()
    assert (data_folder / "postgres" / "postmaster.pid").exists()
    with postgres.running(data_folder) as again, psycopg.connect(again.conninfo_of("halfsecond")) as connection:
        assert connection.execute("select count(*) from kept").fetchone() == (1000,)


def test_data_and_password_are_kept_from_run_to_run(data_folder: Path) -> None:
    with postgres.running(data_folder) as first, psycopg.connect(first.conninfo_of("halfsecond")) as connection:
        connection.execute("create table kept (n int)")
    with postgres.running(data_folder) as second, psycopg.connect(second.conninfo_of("halfsecond")) as connection:
        assert connection.execute("select count(*) from kept").fetchone() == (0,)


def test_a_folder_whose_server_lives_gives_one_line_that_names_the_process(data_folder: Path) -> None:
    with postgres.running(data_folder) as server, pytest.raises(UnavailableError) as refused:
        postgres.start(data_folder)
    said = str(refused.value)
    assert f"in use by process {server.process.pid}" in said
    assert "--data" in said
    assert "\n" not in said


def test_a_postmaster_file_left_by_a_dead_process_is_no_hindrance(data_folder: Path) -> None:
    with postgres.running(data_folder):
        left = (data_folder / "postgres" / "postmaster.pid").read_text()
    ended = subprocess.Popen(["true"])
    ended.wait()
    (data_folder / "postgres" / "postmaster.pid").write_text(left.replace(left.split("\n")[0], str(ended.pid), 1))
    with postgres.running(data_folder) as server:
        assert server.process.poll() is None


def test_the_process_number_of_another_program_is_not_taken_for_a_server(data_folder: Path) -> None:
    with postgres.running(data_folder):
        left = (data_folder / "postgres" / "postmaster.pid").read_text()
    other = subprocess.Popen(["sleep", "60"])
    (data_folder / "postgres" / "postmaster.pid").write_text(left.replace(left.split("\n")[0], str(other.pid), 1))
    try:
        with postgres.running(data_folder) as server:
            assert server.process.poll() is None
    finally:
        other.kill()
        other.wait()


def test_a_commit_waits_for_the_disk(data_folder: Path) -> None:
    with postgres.running(data_folder) as server, psycopg.connect(server.conninfo) as connection:
        for name in ("fsync", "synchronous_commit", "full_page_writes"):
            assert connection.execute(f"show {name}").fetchone() == ("on",)  # type: ignore[call-overload]


def test_a_wrong_password_is_refused_and_the_files_are_closed_to_other_users(data_folder: Path) -> None:
    with postgres.running(data_folder) as server:
        with pytest.raises(psycopg.OperationalError, match="password"):
            psycopg.connect(server.conninfo, password="wrong").close()
        assert (data_folder / "postgres").stat().st_mode & 0o077 == 0
        assert (data_folder / "postgres.password").stat().st_mode & 0o077 == 0


def test_a_port_that_is_taken_is_named(data_folder: Path) -> None:
    with (
        postgres.running(data_folder / "one") as one,
        pytest.raises(UnavailableError, match=f"port {one.port} .*taken"),
    ):
        postgres.start(data_folder / "two", port=one.port)


def test_a_folder_path_too_long_for_a_unix_socket_still_serves(data_folder: Path) -> None:
    deep = data_folder / ("x" * 120)
    with postgres.running(deep) as server:
        assert "host=127.0.0.1" in server.conninfo
