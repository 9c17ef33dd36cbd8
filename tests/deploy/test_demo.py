from __future__ import annotations

import signal
import socket
import time
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

import pytest

from deploy import demo
from deploy.embedded import postgres
from deploy.embedded.process import free_port
from deploy.settings import DEFAULT_PORT
from ingest.errors import BadInputError, UnavailableError
from tests.deploy.running import run


def test_the_demos_winter_is_always_past_and_ends_with_january() -> None:
    for now, end in (
        (datetime(2031, 2, 1, tzinfo=UTC), datetime(2031, 2, 1, tzinfo=UTC)),
        (datetime(2031, 1, 31, 23, tzinfo=UTC), datetime(2030, 2, 1, tzinfo=UTC)),
        (datetime(2031, 11, 24, tzinfo=UTC), datetime(2031, 2, 1, tzinfo=UTC)),
    ):
        first, last = demo.winter(120, now)
        assert last == end
        assert (last - first).days == 120


def test_a_port_that_was_asked_for_and_is_taken_gives_one_line() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(UnavailableError, match=f"port {port} is taken.* --port"):
            demo.choose_port(port)


def test_the_usual_port_gives_way_to_a_free_one_and_that_is_said(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "port_problem", lambda _port: "is taken by another program")
    port = demo.choose_port(None)
    assert port != DEFAULT_PORT
    assert f"so the pages are at port {port}" in capsys.readouterr().err


@pytest.mark.stack
def test_a_database_that_is_no_demos_is_never_emptied(data_folder: Path) -> None:
    with postgres.running(data_folder):
        pass
    with pytest.raises(BadInputError, match="name another folder with --data"):
        demo.own_folder(data_folder)
    assert (data_folder / "postgres" / "PG_VERSION").exists()


@pytest.mark.parametrize(
    ("option", "value"),
    [("--units", "0"), ("--units", "many"), ("--days", "1"), ("--speed", "0"), ("--speed", "nan"), ("--port", "0")],
)
def test_a_number_that_makes_no_demo_gives_one_line(option: str, value: str, tmp_path: Path) -> None:
    with run(["demo", option, value], tmp_path) as running:
        assert running.process.wait(30) == 2
    assert len(running.lines) == 1
    assert option in running.lines[0]
    assert value in running.lines[0]


def _page(port: int) -> str:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as page:
        text: str = page.read().decode()
    return text


@pytest.mark.stack
@pytest.mark.slow
@pytest.mark.parametrize("kind", [pytest.param("mosquitto", marks=pytest.mark.mosquitto), "iotcore"])
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_the_demo_shows_its_winter_and_leaves_nothing_running(
    data_folder: Path, kind: str, sent: signal.Signals
) -> None:
    port = free_port()
    arguments = ["demo", "--units", "3", "--days", "21", "--speed", "1000000", "--broker", kind, "--port", str(port)]
    with run(arguments, data_folder) as running:
        assert running.wait_for("Halfsecond is at") == f"Halfsecond is at http://127.0.0.1:{port}/"
        if sent == signal.SIGINT:
            assert "records were published" in running.wait_for("the winter is over", 120)
            deadline = time.monotonic() + 60
            # The watch may still be working its way through the winter.
            while "u-0001" not in _page(port):
                assert time.monotonic() < deadline, "the call list has no unit"
                time.sleep(0.5)
        assert running.end_by(sent) == []
    assert (data_folder / ".halfsecond" / "demo" / "demo").exists()
