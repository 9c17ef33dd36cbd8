"""Child processes that never outlive their parent, and ports of the loopback that are free."""

from __future__ import annotations

import ctypes
import errno
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from ingest.errors import UnavailableError

_PR_SET_PDEATHSIG = 1
_LOG_LIMIT_BYTES = 10_000_000
_libc = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None


@dataclass(frozen=True)
class Account:
    """The unprivileged user that a child runs as: numeric user and group."""

    name: str
    uid: int
    gid: int


def _leash(parent: int, sent: signal.Signals) -> Callable[[], None] | None:
    """Return what a child does before exec so that the kernel signals it once its parent is gone (Linux only)."""
    libc = _libc
    if libc is None:
        return None

    def tie() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, int(sent), 0, 0, 0)
        if os.getppid() != parent:
            os._exit(1)

    return tie


def spawn(
    command: Sequence[str | Path],
    *,
    stop_by: signal.Signals = signal.SIGTERM,
    account: Account | None = None,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    log: Path | None = None,
) -> subprocess.Popen[bytes]:
    """Start a child in its own session, so that a terminal's Ctrl-C reaches only us, who then stop it in order.

    Call it from the main thread: the kernel ties the child to the thread that forked it. Output goes to the end of
    ``log`` (begun anew past 10 MB), or where ours goes.
    """
    output: IO[bytes] | None = None
    if log is not None:
        old = log.exists() and log.stat().st_size > _LOG_LIMIT_BYTES
        output = log.open("wb" if old else "ab")
    try:
        return subprocess.Popen(
            [str(part) for part in command],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT if output else None,
            cwd=cwd,
            env=dict(env) if env is not None else None,
            start_new_session=True,
            user=account.uid if account else None,
            group=account.gid if account else None,
            extra_groups=[] if account else None,
            preexec_fn=_leash(os.getpid(), stop_by),  # noqa: PLW1509 - only prctl is called between fork and exec
        )
    finally:
        if output is not None:
            output.close()


def stop(process: subprocess.Popen[bytes], by: signal.Signals = signal.SIGTERM, patience_s: float = 20.0) -> None:
    """Ask a child to end, wait, and kill it and its session if it does not; safe to call twice."""
    if process.poll() is None:
        process.send_signal(by)
        try:
            process.wait(patience_s)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def free_port() -> int:
    """Return a TCP port of the loopback that nothing listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def port_problem(port: int, host: str = "127.0.0.1") -> str | None:
    """Return why we could not listen on a port now, to stand behind its number in a sentence, or None if we could."""
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except PermissionError:
            return "is closed to a plain user, being below 1024"
        except OSError as error:
            taken = error.errno == errno.EADDRINUSE
            return "is taken by another program" if taken else f"cannot be had at {host} ({error.strerror or error})"
        return None


def wait_for_port(process: subprocess.Popen[bytes], port: int, name: str, log: Path, patience_s: float = 20.0) -> None:
    """Return once the child accepts connections on a loopback port.

    Raises
    ------
    UnavailableError
        If it ends first or takes longer than ``patience_s``; the line carries the last words of its log.
    """
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline and process.poll() is None:
        with socket.socket() as probe:
            probe.settimeout(0.5)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    raise UnavailableError(f"the {name} did not start: {last_words(log)} (whole log: {log})")


def last_words(log: Path) -> str:
    """Return the last line of a log that says something, for a one-line error."""
    try:
        lines = log.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return "it left no log"
    said = [line.strip() for line in lines if line.strip()]
    telling = [line for line in said if any(word in line for word in ("FATAL", "ERROR", "rror:"))]
    return (telling or said or ["it left an empty log"])[-1]
