"""The compose stack on a real engine, as a test drives it: brought up, asked, killed in part, taken down."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
FILE = ROOT / "deploy" / "compose.yaml"
LASTING = ("database", "devices", "broker", "intake", "watch", "notices", "pages")
"""The services that go on running."""


@dataclass(frozen=True)
class Stack:
    """A project of its own: its name, its ports on this machine, and the command that drives it."""

    name: str
    broker_port: int
    pages_port: int
    command: tuple[str, ...]

    def compose(self, *arguments: str, patience_s: float = 900.0) -> str:
        """Run a compose command and return what it prints."""
        ports = {"BROKER_AT": self.broker_port, "PAGES_AT": self.pages_port, "BROKER_TLS_AT": _free_port()}
        environment = {**os.environ, **{name: f"127.0.0.1:{port}" for name, port in ports.items()}}
        return run([*self.command, "-p", self.name, "-f", str(FILE), *arguments], patience_s, environment)

    def container(self, service: str) -> str:
        """Return the number of a service's container."""
        wanted = [f"label=com.docker.compose.project={self.name}", f"label=com.docker.compose.service={service}"]
        return run(["docker", "ps", "-aq", "--filter", wanted[0], "--filter", wanted[1]]).split()[0]

    def health(self, service: str) -> str:
        """Return what the engine thinks of a service: starting, healthy, unhealthy, or that it does not run."""
        text = run(["docker", "inspect", self.container(service), "--format", "{{json .State}}"])
        state = json.loads(text)
        return str(state["Health"]["Status"]) if state["Running"] else f"ended with {state['ExitCode']}"

    def execute(self, service: str, *arguments: str, given: bytes | None = None) -> str:
        """Run a command inside a service's container."""
        return run(["docker", "exec", "-i", self.container(service), *arguments], given=given)

    def rows(self, statement: str) -> list[list[str]]:
        """Ask the database, as its own tool prints it."""
        text = self.execute("database", "psql", "-U", "halfsecond", "-At", "-F", "\t", "-c", statement)
        return [line.split("\t") for line in text.splitlines()]

    def get(self, path: str) -> Any:
        """Ask the pages, with their token."""
        token = self.execute("pages", "cat", "/run/secrets/pages/token").strip()
        request = urllib.request.Request(f"http://127.0.0.1:{self.pages_port}{path}")
        request.add_header("Authorization", f"Bearer {token}")
        with urllib.request.urlopen(request, timeout=20) as answer:
            return json.load(answer)


def lacking() -> str | None:
    """Return why there can be no stack on this machine, or None."""
    if shutil.which("docker") is None:
        return "there is no docker command on this machine"
    if subprocess.run(["docker", "version"], capture_output=True, check=False).returncode:
        return "no Docker engine answers on this machine"
    if _command() is None:
        return "there is neither 'docker compose' nor 'docker-compose' on this machine"
    return None


@contextmanager
def running() -> Iterator[Stack]:
    """Have a fresh stack for the length of a ``with``; its containers and volumes are removed at the end."""
    command = _command()
    assert command is not None
    stack = Stack(f"halfsecond-trial-{uuid.uuid4().hex[:8]}", _free_port(), _free_port(), command)
    try:
        stack.compose("up", "-d", "--build")
        yield stack
    finally:
        stack.compose("down", "-v", "--remove-orphans", "-t", "60")


def eventually(condition: Callable[[], bool], within_s: float) -> bool:
    """Tell whether a condition comes true in time."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if condition():
            return True
        time.sleep(0.5)
    return condition()


def run(
    command: list[str],
    patience_s: float = 120.0,
    environment: dict[str, str] | None = None,
    given: bytes | None = None,
) -> str:
    """Run a command and return what it prints; what it complains of becomes the failure."""
    done = subprocess.run(
        command, env=environment, input=given or b"", capture_output=True, check=False, timeout=patience_s
    )
    assert done.returncode == 0, f"{command}: {done.stderr.decode(errors='replace')[-3000:]}"
    return done.stdout.decode()


def _command() -> tuple[str, ...] | None:
    if subprocess.run(["docker", "compose", "version"], capture_output=True, check=False).returncode == 0:
        return ("docker", "compose")
    return ("docker-compose",) if shutil.which("docker-compose") else None


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])
