"""Runs an installer quietly: one line of progress, and one with the remedy where it fails. Standard library only."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections import deque
from collections.abc import Iterable
from pathlib import Path
from threading import Thread

LAST_LINES = 5
QUIET = {
    "PIP_DISABLE_PIP_VERSION_CHECK": "1",
    "PIP_ROOT_USER_ACTION": "ignore",
    "PIP_NO_COLOR": "1",
    "PIP_USER": "0",
    "PYTHONWARNINGS": "ignore",
}
"""Laid over the user's own environment, whose other settings for pip (index, certificate, proxy) hold."""

_REMEDIES = (
    (r"No space left on device", "the disk is full: make 3 GB of room, then type the same again"),
    (
        r"DO NOT MATCH THE HASHES",
        "a package is not the one that is locked: look above which, and at the index it came from",
    ),
    (
        (
            r"NewConnectionError|Failed to establish a new connection|Name or service not known|name resolution|"
            r"Network is unreachable|Connection refused|ConnectTimeout|ReadTimeout|timed out|ProxyError|SSLError|"
            r"Connection aborted|Connection broken|CERTIFICATE_VERIFY_FAILED|IncompleteRead"
        ),
        "the package index cannot be reached: see to the network or to pip's settings, then type the same again",
    ),
    (
        r"No matching distribution found for (\S+)",
        (
            "the package index has no {0} for this Python and machine: see to pip's settings, or use "
            "Python 3.11 to 3.13 on 64-bit Linux, macOS or Windows"
        ),
    ),
    (r"Permission denied: '([^']+)'", "{0} cannot be written: give it to this user, then type the same again"),
)


class InstallError(Exception):
    """What stands in the way of an installation, in one line with the remedy."""


def say(text: str) -> None:
    """Write one line for the user on standard error."""
    print(f"halfsecond: {text}", file=sys.stderr, flush=True)


def program(root: Path, name: str) -> Path:
    """Return where a program of the ``.venv`` in a folder stands on this system."""
    windows = os.name == "nt"
    return root / ".venv" / ("Scripts" if windows else "bin") / (f"{name}.exe" if windows else name)


def running_as_root() -> bool:
    """Whether this is the superuser of a system that has one."""
    return hasattr(os, "geteuid") and os.geteuid() == 0


def explain(output: str, what: str) -> str:
    """Return the one line that tells what to do about an installer's failure.

    Parameters
    ----------
    output
        What the installer printed.
    what
        What was being installed, for the line where nothing better is known.
    """
    for pattern, remedy in _REMEDIES:
        found = re.search(pattern, output)
        if found:
            return remedy.format(*found.groups())
    return f"{what} could not be installed: the installer's last lines stand above; mend that, then type the same again"


def watch(command: list[str], what: str, folder: Path, total: int = 0) -> None:
    """Run an installer with one line of progress on standard error.

    Parameters
    ----------
    command
        Program and arguments.
    what
        What is being installed, in the user's words.
    folder
        Where it runs.
    total
        How many packages there are to fetch; 0 where it is not about packages.

    Raises
    ------
    InstallError
        Where it fails, after its last lines have been shown.
    """
    lines: deque[str] = deque(maxlen=400)
    seen = [0, 0]
    terminal = sys.stderr.isatty()
    began = time.monotonic()
    with subprocess.Popen(
        command,
        cwd=folder,
        env={**os.environ, **QUIET},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
    ) as child:
        assert child.stdout is not None
        reader = Thread(target=_collect, args=(child.stdout, lines, seen), daemon=True)
        reader.start()
        due = 0.0
        try:
            while child.poll() is None:
                passed = time.monotonic() - began
                if passed >= due:
                    due = passed + (0.5 if terminal else 15)
                    _show(what, passed, f", {seen[0]} of {total}{', unpacking' * seen[1]}" if total else "", terminal)
                time.sleep(0.05)
        except BaseException:
            child.terminate()
            raise
        finally:
            if terminal:
                print("\r\033[K", end="", file=sys.stderr, flush=True)
        reader.join()
        if child.returncode:
            print(*list(lines)[-LAST_LINES:], sep="\n", file=sys.stderr)
            raise InstallError(explain("\n".join(lines), what))


def _collect(stream: Iterable[str], lines: deque[str], seen: list[int]) -> None:
    """Keep the last lines; count the packages that were fetched or are there, and whether unpacking has begun."""
    for line in stream:
        lines.append(line.rstrip())
        # What is for another system only is done with too.
        seen[0] += line.startswith(("Collecting ", "Processing ", "Requirement already satisfied", "Ignoring "))
        seen[1] |= line.startswith("Installing collected packages")


def _show(what: str, passed_s: float, count: str, terminal: bool) -> None:
    text = f"halfsecond: setting up: {what}{count}, {passed_s:.0f} s"
    print(f"\r\033[K{text}" if terminal else text, end="" if terminal else "\n", file=sys.stderr, flush=True)
