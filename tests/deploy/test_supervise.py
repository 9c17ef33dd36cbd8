from __future__ import annotations

import os
import signal
import subprocess
import threading
import time

from deploy import supervise
from deploy.embedded.process import spawn
from deploy.supervise import Service, StopRequestedError
from ingest.errors import UnavailableError


def signal_soon(sent: signal.Signals, after_s: float = 0.3) -> None:
    threading.Timer(after_s, os.kill, (os.getpid(), sent)).start()


def test_a_child_that_dies_is_started_again_after_a_wait_that_doubles() -> None:
    said: list[str] = []
    service = supervise.begin(Service("flimsy", lambda: spawn(["false"])))
    now = 100.0
    waits = []
    for _ in range(8):
        assert service.process is not None
        service.process.wait()
        supervise.look_after(service, now, said.append)
        waits.append(service.due_s - now)
        assert service.process is None
        now = service.due_s
        service.begun_s = now
        supervise.look_after(service, now, said.append)
        service.begun_s = now
    assert waits == [0.5, 1, 2, 4, 8, 16, 30, 30]
    assert said[0] == "flimsy ended with code 1; starting it again in 0.5 s"
    supervise.end(service)


def test_a_child_that_lived_long_is_started_again_at_once_as_the_first_time() -> None:
    service = supervise.begin(Service("steady", lambda: spawn(["false"])))
    assert service.process is not None
    service.process.wait()
    service.failures, service.begun_s = 6, 0.0
    supervise.look_after(service, supervise.STEADY_S + 1, lambda _: None)
    assert service.due_s == supervise.STEADY_S + 1 + supervise.FIRST_WAIT_S


def test_a_child_meant_to_end_is_not_started_again() -> None:
    said: list[str] = []
    service = supervise.begin(Service("once", lambda: spawn(["true"]), again=False))
    assert service.process is not None
    service.process.wait()
    for now in (1.0, 1e6):
        supervise.look_after(service, now, said.append)
    assert service.process is None
    assert said == []


def test_a_start_that_fails_is_said_and_tried_again() -> None:
    def fail() -> subprocess.Popen[bytes]:
        raise UnavailableError("no room")

    said: list[str] = []
    service = Service("cramped", fail)
    supervise.look_after(service, 1.0, said.append)
    assert said == ["cramped: no room; trying again in 0.5 s"]
    assert service.due_s == 1.5


def test_a_signal_leaves_the_body_and_ends_the_children() -> None:
    for sent in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        service = supervise.begin(Service("sleeper", lambda: spawn(["sleep", "60"])))
        signal_soon(sent)
        began = time.monotonic()
        with supervise.until_stopped():
            try:
                supervise.tend([service])
            finally:
                supervise.end(service)
        assert time.monotonic() - began < 5
        assert service.process is not None
        assert service.process.returncode == -signal.SIGTERM


def test_a_second_signal_does_not_break_off_the_ending() -> None:
    finished = False
    with supervise.until_stopped():
        try:
            signal_soon(signal.SIGINT)
            supervise.tend([])
        except StopRequestedError:
            os.kill(os.getpid(), signal.SIGINT)
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(0.1)
            finished = True
    assert finished
