"""Everything on this machine: database, broker, intake, watch, pages, and loggers that publish a simulated winter."""

from __future__ import annotations

import shutil
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import psycopg
from msgspec.structs import replace
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from deploy import feed, serve, supervise
from deploy import stack as embedded
from deploy.embedded import folder
from deploy.embedded.process import free_port, port_problem, spawn
from deploy.settings import DEFAULT_PORT, Settings, environment_of, variable
from deploy.supervise import Service
from ingest.errors import BadInputError, UnavailableError

ACCOUNT = "Larkfell Heating (example)"
LIVE_DAYS = 10
"""How much of the winter's end is played rather than loaded."""

_MARK = "demo"


@dataclass(frozen=True)
class Demo:
    """What was asked for: ``units``, ``days`` of winter, ``speed`` (seconds of it a second), ``seed``, where."""

    units: int = 40
    days: int = 120
    speed: float = 3600.0
    seed: int = 26
    data: Path = Path(".halfsecond/demo")
    port: int | None = None


def run(demo: Demo, settings: Settings) -> int:
    """Run the demo until a signal ends it; return 0.

    Every run starts with an empty database. The address of the pages goes to standard output as soon as they answer,
    everything else to standard error.

    Raises
    ------
    BadInputError, UnavailableError
        In one line: a port or folder that cannot be had, a folder that holds something else than a demo.
    """
    data = own_folder(demo.data)
    port = choose_port(demo.port)
    for name in ("database", "broker"):
        if getattr(settings, name) is not None:
            supervise.say(f"{variable(name)} is not used: the demo has a {name} of its own, which it empties")
    settings = replace(
        Settings(), data=data, listen=f"127.0.0.1:{port}", account=ACCOUNT, clock="data",
        broker_kind=settings.broker_kind, broker_protocol=settings.broker_protocol, watch_every_s=1.0,
    )  # fmt: skip
    with supervise.until_stopped(), ExitStack() as cleanup:
        stack = embedded.start(settings, cleanup, lambda conninfo: _empty(data, conninfo))
        logs = folder.make(data / "logs")
        # The pages first and alone: on a small machine that shows the address seconds sooner.
        serve.start_programs(stack, cleanup, logs, ["pages"])
        serve.wait_for_pages(stack.settings, stack.services)
        print(f"Halfsecond is at {serve.address(stack.settings)}", flush=True)
        supervise.say(f"Ctrl-C ends it; what the programs say is in {logs}")
        serve.start_programs(stack, cleanup, logs, ["intake", "watch"])
        stack.services.append(_begin_feed(demo, stack.settings, cleanup))
        supervise.tend(stack.services, lambda: embedded.admit_devices(stack), also_every_s=0.5)
    print("halfsecond: ended, nothing is left running", file=sys.stderr)
    return 0


def winter(days: int, now: datetime) -> tuple[datetime, datetime]:
    """Return the first day of the demo's winter and its end: the latest 1 February 00:00 UTC that is past."""
    end = datetime(now.year, 2, 1, tzinfo=UTC)
    if end > now:
        end = end.replace(year=now.year - 1)
    return end - timedelta(days=days), end


def _begin_feed(demo: Demo, settings: Settings, cleanup: ExitStack) -> Service:
    first, end = winter(demo.days, datetime.now(UTC))
    order = feed.Order(
        units=demo.units,
        days=demo.days,
        seed=demo.seed,
        first=first,
        live_from=end - timedelta(days=min(LIVE_DAYS, demo.days / 2)),
        speed=demo.speed,
    )
    command = serve.command([msgspec.json.encode(order).decode()], module="deploy.feed")
    service = Service("loggers", lambda: spawn(command, env=environment_of(settings)), again=False)
    cleanup.callback(supervise.end, service)
    return supervise.begin(service)


def choose_port(asked: int | None) -> int:
    """Return the port of the pages: the one asked for, or the usual one, or a free one where that is taken."""
    if asked is not None:
        problem = port_problem(asked)
        if problem:
            raise UnavailableError(f"port {asked} {problem}: name another with --port, or leave the choice open")
        return asked
    problem = port_problem(DEFAULT_PORT)
    if problem:
        port = free_port()
        supervise.say(f"port {DEFAULT_PORT} {problem}, so the pages are at port {port}")
        return port
    return DEFAULT_PORT


def own_folder(data: Path) -> Path:
    """Make the data folder, and refuse one that holds a database which a demo did not make: it would be emptied."""
    data = folder.make(data)
    mark = data / _MARK
    if (data / "postgres").exists() and not mark.exists():
        raise BadInputError(f"{data} holds a database that is not a demo's: name another folder with --data")
    try:
        mark.touch()
    except OSError as error:
        raise UnavailableError(
            f"data folder {data} is not writable ({error.strerror}): name another with --data"
        ) from None
    return data


def _empty(data: Path, conninfo: str) -> None:
    """Drop what the last demo left: its database and the broker's queues."""
    shutil.rmtree(data / "broker", ignore_errors=True)
    shutil.rmtree(data / "logs", ignore_errors=True)
    name = sql.Identifier(str(conninfo_to_dict(conninfo)["dbname"]))
    with psycopg.connect(make_conninfo(conninfo, dbname="postgres"), autocommit=True) as connection:
        connection.execute(sql.SQL("drop database {} with (force)").format(name))
        connection.execute(sql.SQL("create database {}").format(name))
