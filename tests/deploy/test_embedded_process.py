from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from deploy.embedded import process
from ingest.errors import UnavailableError

PARENT = """
import time
from deploy.embedded.process import spawn
print(spawn(["sleep", "60"]).pid, flush=True)
time.sleep(60)
"""


def is_alive(number: int) -> bool:
    state = Path(f"/proc/{number}/stat")
    return state.exists() and state.read_text().rsplit(")", 1)[1].split()[0] != "Z"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a child that its parent is gone")
def test_a_child_does_not_outlive_a_parent_that_is_killed() -> None:
    parent = subprocess.Popen([sys.executable, "-c", PARENT], stdout=subprocess.PIPE, text=True)
    with parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert is_alive(child)
        parent.kill()
    deadline = time.monotonic() + 5
    while is_alive(child) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not is_alive(child)


def test_a_child_that_does_not_listen_to_the_signal_is_killed() -> None:
    child = process.spawn(["sh", "-c", "trap '' TERM; echo; while :; do sleep 0.1; done"])
    time.sleep(0.3)
    process.stop(child, patience_s=0.5)
    assert child.returncode == -signal.SIGKILL


def test_a_port_is_free_until_somebody_listens() -> None:
    port = process.free_port()
    assert process.port_problem(port) is None
    with socket.create_server(("127.0.0.1", port)):
        assert process.port_problem(port) == "is taken by another program"


def test_a_host_that_is_not_this_machine_is_named() -> None:
    # published: RFC 5737, 192.0.2.0/24 is for documentation and no machine's own
    assert "192.0.2.1" in str(process.port_problem(8021, "192.0.2.1"))


def test_a_child_that_ends_before_it_listens_gives_its_own_last_words(tmp_path: Path) -> None:
    log = tmp_path / "log"
    child = process.spawn(["sh", "-c", "echo starting; echo 'Error: no room'; echo bye"], log=log)
    with pytest.raises(UnavailableError, match="the broker did not start: Error: no room"):
        process.wait_for_port(child, process.free_port(), "broker", log)


def test_a_log_that_has_grown_large_is_begun_anew(tmp_path: Path) -> None:
    log = tmp_path / "log"
    log.write_bytes(b"x" * 10_000_001)
    process.spawn(["echo", "new"], log=log).wait()
    assert log.read_bytes() == b"new\n"
