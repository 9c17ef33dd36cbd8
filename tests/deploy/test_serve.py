from __future__ import annotations

import json
import os
import signal
import socket
import time
import urllib.error
import urllib.request
from pathlib import Path

import psycopg
import pytest

from deploy import serve, target
from deploy.embedded import folder
from deploy.embedded.process import free_port
from deploy.settings import Settings
from ingest.errors import BadInputError
from tests.deploy.running import Run, command_line, descendants, run

pytestmark = pytest.mark.stack


def child(running: Run, words: str, patience_s: float = 30.0) -> int:
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        for number in sorted(descendants(running.process.pid)):
            if words in command_line(number):
                return number
        time.sleep(0.05)
    raise AssertionError(words)


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT, pytest.param(signal.SIGKILL, marks=pytest.mark.slow)])
def test_the_whole_stack_answers_and_leaves_nothing_running(data_folder: Path, sent: signal.Signals) -> None:
    listen = f"127.0.0.1:{free_port()}"
    with run(["serve", "all", "--data", str(data_folder / "data"), "--listen", listen], data_folder) as running:
        assert running.wait_for("Halfsecond is at") == f"Halfsecond is at http://{listen}/"
        with urllib.request.urlopen(f"http://{listen}/healthz", timeout=10) as answer:
            assert json.load(answer)["status"] == "ok"
        assert running.end_by(sent) == []
        assert running.process.returncode == (-9 if sent == signal.SIGKILL else 0)
        if sent == signal.SIGKILL:
            # What the kill left does not keep the next run from the same folder.
            with run(["serve", "all", "--data", str(data_folder / "data"), "--listen", listen], data_folder) as again:
                again.wait_for("Halfsecond is at")


@pytest.mark.slow
def test_a_killed_database_broker_or_program_is_started_again_and_rows_are_kept(data_folder: Path) -> None:
    listen = f"127.0.0.1:{free_port()}"
    with run(["serve", "all", "--data", str(data_folder), "--listen", listen], data_folder) as running:
        running.wait_for("Halfsecond is at")
        conninfo = target.conninfo_of_running(data_folder)
        with psycopg.connect(conninfo) as connection:
            connection.execute("insert into account (name) values ('kept')")
        for words, name in (("postgres -D", "database"), ("broker/", "broker"), ("serve pages", "pages")):
            os.kill(child(running, words), signal.SIGKILL)
            running.wait_for(f"{name} was killed by signal 9; starting it again")
        deadline = time.monotonic() + 30
        while True:
            try:
                with urllib.request.urlopen(f"http://{listen}/readyz", timeout=5) as answer:
                    assert answer.status == 200
                break
            except OSError:
                assert time.monotonic() < deadline, running.lines
                time.sleep(0.2)
        with psycopg.connect(target.conninfo_of_running(data_folder)) as connection:
            assert connection.execute("select count(*) from account where name = 'kept'").fetchone() == (1,)


@pytest.mark.slow
def test_a_second_run_over_the_same_folder_gives_one_line(data_folder: Path) -> None:
    listen = f"127.0.0.1:{free_port()}"
    with run(["serve", "all", "--data", str(data_folder), "--listen", listen], data_folder) as first:
        first.wait_for("Halfsecond is at")
        other = f"127.0.0.1:{free_port()}"
        with run(["serve", "all", "--data", str(data_folder), "--listen", other], data_folder) as second:
            assert second.process.wait(30) == 2
        assert second.lines == [f"halfsecond: {folder.in_use(data_folder, str(first.process.pid))}"]


def test_a_port_that_is_taken_gives_one_line_before_anything_is_started(data_folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        listen = f"127.0.0.1:{taken.getsockname()[1]}"
        with run(["serve", "all", "--data", str(data_folder / "new"), "--listen", listen], data_folder) as running:
            assert running.process.wait(30) == 2
    assert running.lines == [
        f"halfsecond: port {listen.split(':')[1]} is taken by another program: name another with --listen HOST:PORT"
    ]
    assert not (data_folder / "new").exists()


def test_a_folder_that_is_not_writable_gives_one_line(data_folder: Path) -> None:
    (data_folder / "file").write_text("")
    arguments = ["serve", "all", "--data", str(data_folder / "file" / "x"), "--listen", f"127.0.0.1:{free_port()}"]
    with run(arguments, data_folder) as running:
        assert running.process.wait(30) == 2
    assert len(running.lines) == 1
    assert "--data" in running.lines[0]


def test_pages_open_to_others_want_a_token() -> None:
    for host in ("0.0.0.0", "[::]", "192.0.2.1"):  # noqa: S104 - what is refused here
        with pytest.raises(BadInputError, match="HALFSECOND_TOKEN"):
            serve.check_listen(Settings(listen=f"{host}:8021"))
    serve.check_listen(Settings(listen=f"0.0.0.0:{free_port()}", token="s3cret"))
    serve.check_listen(Settings(listen=f"localhost:{free_port()}"))


def test_a_program_on_its_own_says_what_it_lacks(data_folder: Path, database: str) -> None:
    with run(["serve", "intake", "--data", str(data_folder)], data_folder) as running:
        assert running.process.wait(30) == 2
    assert len(running.lines) == 1
    assert "no stack runs over" in running.lines[0]
    with run(["serve", "intake"], data_folder, HALFSECOND_DATABASE=database) as running:
        assert running.process.wait(30) == 2
    assert len(running.lines) == 1
    assert "HALFSECOND_BROKER" in running.lines[0]


def test_the_pages_alone_serve_a_named_database_and_end_at_a_signal(data_folder: Path, database: str) -> None:
    listen = f"127.0.0.1:{free_port()}"
    with run(["serve", "pages", "--listen", listen], data_folder, HALFSECOND_DATABASE=database) as running:
        deadline = time.monotonic() + 30
        while True:
            try:
                urllib.request.urlopen(f"http://{listen}/healthz", timeout=5).close()
                break
            except urllib.error.URLError:
                assert time.monotonic() < deadline, running.lines
                time.sleep(0.1)
        running.process.terminate()
        assert running.process.wait(20) == 0
    assert running.lines == []


def test_the_notices_alone_look_at_a_named_database_and_end_at_a_signal(data_folder: Path, database: str) -> None:
    with psycopg.connect(database) as connection:
        connection.execute(
            "with main as (insert into account (name) values ('main') returning account_id),"
            " kim as (insert into person (account_id, name, role) select account_id, 'Kim Example', 'manager' from main"
            "  returning account_id, person_id)"
            " insert into notice_target (account_id, person_id, url)"
            " select account_id, person_id, 'json://127.0.0.1:9/' from kim"
        )
    with run(["serve", "notices"], data_folder, HALFSECOND_DATABASE=database) as running:
        deadline = time.monotonic() + 40
        with psycopg.connect(database, autocommit=True) as connection:
            while connection.execute("select count(*) from notice_account").fetchone() == (0,):
                assert time.monotonic() < deadline, running.lines
                time.sleep(0.1)
        running.process.terminate()
        assert running.process.wait(20) == 0
    assert running.lines == []


@pytest.mark.parametrize("link", ["heat.example.org", "https://heat.example.org/?a=b", "ftp://heat.example.org"])
def test_a_link_for_notices_that_is_no_address_gives_one_line(data_folder: Path, link: str) -> None:
    with run(["serve", "notices"], data_folder, HALFSECOND_LINK=link) as running:
        assert running.process.wait(30) == 2
    assert running.lines == [f"halfsecond: HALFSECOND_LINK: '{link}' is no address; write https://HOST without ? and #"]
