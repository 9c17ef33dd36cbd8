"""The real programs over a database and a broker of their own, each of which can be killed, stopped and begun again."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

import psycopg
from msgspec.structs import replace

from deploy import serve
from deploy.embedded import broker as embedded_broker
from deploy.embedded import postgres as embedded_postgres
from deploy.embedded.process import free_port, spawn, stop
from deploy.settings import Settings, environment_of
from ingest.database import migrate


class Parts:
    """Database, broker and programs by name: ``database``, ``broker``, ``intake 1``..., ``watch``, ``pages``.

    Parameters
    ----------
    folder : for database, broker and logs; other users may enter it
    cleanup : gets what ends the parts
    account : whose units the pages show
    options : of the database server
    settings : for the programs, beside the addresses
    """

    def __init__(
        self,
        folder: Path,
        cleanup: ExitStack,
        account: str | None = None,
        options: dict[str, str] | None = None,
        settings: Settings | None = None,
    ) -> None:
        self.folder, self._options = folder, options
        self._broker_port = free_port()
        self.listen = f"127.0.0.1:{free_port()}"
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        cleanup.callback(self._end)
        self.server = embedded_postgres.start(folder, options=options)
        self.processes["database"] = self.server.process
        migrate(self.server.conninfo)
        self.broker = embedded_broker.start(folder, "mosquitto", None, self._broker_port)
        self.processes["broker"] = self.broker.process
        self._settings = replace(
            settings or Settings(),
            database=self.server.conninfo,
            broker=f"mqtt://127.0.0.1:{self._broker_port}",
            listen=self.listen,
            account=account,
        )

    def begin(self, name: str) -> None:
        """Begin a part, or begin it again once it has ended."""
        if name == "database":
            self.server = embedded_postgres.start(self.folder, self.server.port, options=self._options)
            self.processes[name] = self.server.process
        elif name == "broker":
            self.broker = embedded_broker.start(self.folder, "mosquitto", None, self._broker_port)
            self.processes[name] = self.broker.process
        else:
            log = self.folder / f"{name.replace(' ', '-')}.log"
            command = serve.command(["serve", name.split(maxsplit=1)[0]])
            self.processes[name] = spawn(command, env=environment_of(self._settings), log=log)

    def kill(self, name: str) -> None:
        """End a part by SIGKILL."""
        self.processes[name].send_signal(signal.SIGKILL)
        self.processes[name].wait()

    def stop(self, name: str) -> None:
        """End a part in order."""
        stop(self.processes[name], signal.SIGINT if name == "database" else signal.SIGTERM, patience_s=60.0)

    def revive(self, names: Sequence[str]) -> list[str]:
        """Begin those parts again that have ended by themselves, as a supervisor would; return which."""
        dead = [name for name in names if self.processes[name].poll() is not None]
        for name in dead:
            self.begin(name)
        return dead

    def wait_for_intakes(self, count: int = 1, patience_s: float = 60.0, *, on_disk: bool = True) -> None:
        """Return once so many intakes hold their names at the broker, and the broker has their sessions on its disk.

        A broker that is not to be killed need not have them there: ``on_disk`` is False then.
        """

        def leases() -> int:
            with psycopg.connect(self.server.conninfo) as connection:
                row = connection.execute("select count(*) from pg_locks where locktype = 'advisory'").fetchone()
            return int(row[0]) if row else 0

        assert eventually(lambda: leases() >= count, patience_s), "intake does not come up"
        time.sleep(3.0 if on_disk else 1.0)

    def last_words(self, lines: int = 10) -> str:
        """Return the last lines of every part's log, for a run whose books do not balance."""
        logs = sorted(self.folder.glob("*.log"))
        told = [(log.name, log.read_text(errors="replace").splitlines()[-lines:]) for log in logs]
        return "\n".join(f"{name}: {line}" for name, last in told for line in last)

    def memory_mb(self, name: str) -> float:
        """Return the memory of a part and its children, what they share counted once, MB."""
        total_kb = 0
        for number in _family(self.processes[name].pid):
            try:
                text = Path(f"/proc/{number}/smaps_rollup").read_text()
            except OSError:
                continue
            total_kb += sum(int(line.split()[1]) for line in text.splitlines() if line.startswith("Pss:"))
        return total_kb / 1024

    def _end(self) -> None:
        """End the programs side by side, then broker and database."""
        running = [name for name, process in self.processes.items() if process.poll() is None]
        for name in running:
            self.processes[name].send_signal(signal.SIGCONT)
            if name not in {"broker", "database"}:
                self.processes[name].terminate()
        for name in reversed(running):
            self.stop(name)


def say(line: str) -> None:
    """Tell of progress at once, also into a file."""
    print(line, flush=True)


def eventually(condition: Callable[[], bool], within_s: float) -> bool:
    """Tell whether a condition comes true in time."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if condition():
            return True
        time.sleep(0.05)
    return condition()


def _family(ancestor: int) -> set[int]:
    parents: dict[int, int] = {}
    for entry in os.scandir("/proc"):
        if entry.name.isdigit():
            try:
                text = Path(entry.path, "stat").read_text()
            except OSError:
                continue
            parents[int(entry.name)] = int(text.rsplit(")", 1)[1].split()[1])
    found = {ancestor}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found
