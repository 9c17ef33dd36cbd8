"""Running the program as its users do, and seeing what it leaves behind."""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from deploy import serve


@dataclass
class Run:
    """A running command, its lines so far, and those not yet looked at."""

    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)
    fresh: queue.Queue[str] = field(default_factory=queue.Queue)

    def wait_for(self, words: str, patience_s: float = 60.0) -> str:
        """Return the next line that has the words in it."""
        deadline = time.monotonic() + patience_s
        while time.monotonic() < deadline:
            try:
                line = self.fresh.get(timeout=0.1)
            except queue.Empty:
                if self.process.poll() is not None and self.fresh.empty():
                    break
                continue
            if words in line:
                return line
        raise AssertionError(f"{words!r} was not said; said: {self.lines}")

    def end_by(self, sent: signal.Signals, patience_s: float = 40.0) -> list[str]:
        """Send a signal, and return the command lines of what still runs a moment after the end."""
        family = {number: command_line(number) for number in descendants(self.process.pid)}
        assert len(family) >= 3, family
        self.process.send_signal(sent)
        self.process.wait(patience_s)
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline and any(command_line(number) for number in family):
            time.sleep(0.05)
        return [line for number, line in family.items() if line and command_line(number) == line]


@contextmanager
def run(arguments: list[str], cwd: Path, **environment: str) -> Iterator[Run]:
    """Run the command with these settings and no others; end it for good at the end."""
    plain = {name: value for name, value in os.environ.items() if not name.startswith("HALFSECOND_")}
    process = subprocess.Popen(
        serve.command(arguments),
        cwd=cwd,
        env=plain | environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    running = Run(process)

    def read() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            running.lines.append(line.rstrip("\n"))
            running.fresh.put(line.rstrip("\n"))

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    try:
        yield running
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(40)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        reader.join(10)
        assert process.stdout is not None
        process.stdout.close()


def descendants(ancestor: int) -> set[int]:
    """Return the numbers of all processes below one."""
    parents: dict[int, int] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = stat.read_text()
        except OSError:
            continue
        parents[int(stat.parent.name)] = int(text.rsplit(")", 1)[1].split()[1])
    found = {ancestor}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found - {ancestor}


def command_line(number: int) -> str:
    """Return what a process was started as; empty once it has ended."""
    try:
        return Path(f"/proc/{number}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""
