"""Keeping child programs alive, and ending all of them in order when we are asked to."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType

from deploy.embedded import process
from ingest.errors import HalfsecondError

FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 30.0
STEADY_S = 60.0
"""A child that has lived this long has started well: the next wait begins small again."""

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class StopRequestedError(BaseException):
    """Raised in the main thread by the first signal that asks us to end; later ones change nothing."""


@dataclass
class Service:
    """A child to be kept alive: how it is started and stopped, and how often it has failed in a row."""

    name: str
    start: Callable[[], subprocess.Popen[bytes]]
    stop: Callable[[subprocess.Popen[bytes]], None] = process.stop
    again: bool = True
    process: subprocess.Popen[bytes] | None = None
    failures: int = 0
    begun_s: float = field(default=0.0)
    due_s: float = field(default=0.0)


@contextmanager
def until_stopped() -> Iterator[None]:
    """Run the body until it ends or SIGINT, SIGTERM or SIGHUP comes, which leaves it in order, as if it had ended."""
    # Started by nohup we are not to end with the terminal.
    wanted = [each for each in _SIGNALS if each != signal.SIGHUP or signal.getsignal(each) != signal.SIG_IGN]
    before = {each: signal.getsignal(each) for each in wanted}

    def leave(_number: int, _frame: FrameType | None) -> None:
        for each in before:
            signal.signal(each, signal.SIG_IGN)
        raise StopRequestedError

    for each in before:
        signal.signal(each, leave)
    try:
        yield
    except StopRequestedError:
        pass
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)


def begin(service: Service) -> Service:
    """Start a service for the first time; its failure is ours."""
    service.process = service.start()
    service.begun_s = time.monotonic()
    return service


def end(service: Service) -> None:
    """Stop a service if it runs."""
    if service.process is not None:
        service.stop(service.process)


def look_after(service: Service, now_s: float, say: Callable[[str], None]) -> None:
    """Notice that a service has ended, and start it again once its wait is over: 0.5 s, doubling up to 30 s."""
    if service.process is not None and service.process.poll() is not None:
        code = service.process.returncode
        service.process = None
        if not service.again:
            service.due_s = float("inf")
            if code:
                say(f"{service.name} {_how(code)}")
            return
        service.failures = 0 if now_s - service.begun_s > STEADY_S else service.failures
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2**service.failures)
        service.failures += 1
        service.due_s = now_s + wait_s
        say(f"{service.name} {_how(code)}; starting it again in {wait_s:g} s")
    if service.process is None and now_s >= service.due_s:
        try:
            begin(service)
        except HalfsecondError as error:
            wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2**service.failures)
            service.failures += 1
            service.due_s = now_s + wait_s
            say(f"{service.name}: {error}; trying again in {wait_s:g} s")


def _how(code: int) -> str:
    return f"was killed by signal {-code}" if code < 0 else f"ended with code {code}"


def tend(
    services: Sequence[Service], also: Callable[[], None] | None = None, also_every_s: float = 5.0, step_s: float = 0.2
) -> None:
    """Look after services until a signal ends :func:`until_stopped`; call ``also`` every few seconds between."""
    due_s = 0.0
    while True:
        now_s = time.monotonic()
        for service in services:
            look_after(service, now_s, say)
        if also is not None and now_s >= due_s:
            also()
            due_s = now_s + also_every_s
        time.sleep(step_s)


def say(line: str) -> None:
    """Say one line to whoever runs us, beside what the programs print."""
    print(f"halfsecond: {line}", file=sys.stderr, flush=True)
