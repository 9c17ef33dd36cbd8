"""The long-running programs: intake, watch, pages and notices, one by one or all together over the embedded stack."""

from __future__ import annotations

import ipaddress
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Literal

from msgspec.structs import replace

import deploy
from deploy import stack as embedded
from deploy import supervise
from deploy.embedded.process import port_problem, spawn
from deploy.settings import Settings, environment_of
from deploy.supervise import Service
from deploy.target import conninfo_of_running
from ingest.errors import BadInputError, UnavailableError

Program = Literal["intake", "watch", "pages", "notices"]
PROGRAMS: tuple[Program, ...] = ("intake", "watch", "pages", "notices")


def run_one(program: Program, settings: Settings) -> int:
    """Run one program in this process until SIGTERM or SIGINT; return its exit code.

    Raises
    ------
    BadInputError, UnavailableError
        In one line: no database or broker named, the port taken, no token where one is demanded.
    """
    if settings.database is None:
        settings = replace(settings, database=conninfo_of_running(settings.data))
    with stop_event() as stop:
        return _RUN[program](settings, stop)


def run_all(settings: Settings) -> int:
    """Run the programs as children, and the database and broker that the settings do not name; return 0."""
    check_listen(settings)
    with supervise.until_stopped(), ExitStack() as cleanup:
        stack = embedded.start(settings, cleanup)
        start_programs(stack, cleanup)
        url = address(stack.settings)
        wait_for_pages(stack.settings, stack.services)
        print(f"Halfsecond is at {url}", flush=True)
        supervise.tend(stack.services, lambda: embedded.admit_devices(stack))
    return 0


def start_programs(
    stack: embedded.Stack, cleanup: ExitStack, logs: Path | None = None, programs: Sequence[Program] = PROGRAMS
) -> None:
    """Start the programs, or some of them, as children that are kept alive and end with us.

    Parameters
    ----------
    stack
        Gets the new services.
    cleanup
        Gets what ends them.
    logs
        Folder for what they print; where ours goes if None.
    programs
        Which, in this order.
    """
    environment = environment_of(stack.settings)
    for program in programs:
        service = Service(program, _start(["serve", program], environment, logs and logs / f"{program}.log"))
        cleanup.callback(supervise.end, service)
        stack.services.append(supervise.begin(service))


def command(arguments: list[str], module: str = "deploy.cli") -> list[str]:
    """Return the command line that runs a part of this program, whatever the working directory holds."""
    return [sys.executable, "-P", "-c", _MAIN.format(root=str(_ROOT), module=module), *arguments]


def address(settings: Settings) -> str:
    """Return where a browser on this machine finds the pages."""
    host, port = settings.listen_address()
    shown = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    return f"http://[{shown}]:{port}/" if ":" in shown else f"http://{shown}:{port}/"


def check_listen(settings: Settings) -> None:
    """Refuse to show the pages beyond this machine without a token, or at a port that cannot be had."""
    host, port = settings.listen_address()
    if settings.token is None and not _is_loopback(host):
        raise BadInputError(
            f"the pages would be open to everybody who reaches {host}:{port}: set HALFSECOND_TOKEN or "
            "HALFSECOND_TOKEN_FILE, or listen on 127.0.0.1"
        )
    problem = port_problem(port, host)
    if problem:
        raise UnavailableError(f"port {port} {problem}: name another with --listen HOST:PORT")


def wait_for_pages(settings: Settings, services: list[Service], patience_s: float = 60.0) -> None:
    """Return once the pages answer, looking after the services meanwhile.

    Raises
    ------
    UnavailableError
        They do not answer within ``patience_s``.
    """
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(f"{address(settings)}healthz", timeout=2) as answer:  # noqa: S310 - our own
                if answer.status == 200:
                    return
        except OSError:
            pass
        for service in services:
            supervise.look_after(service, time.monotonic(), supervise.say)
        time.sleep(0.1)
    raise UnavailableError(
        f"the pages did not answer at {address(settings)} within {patience_s:g} s; see what they said"
    )


@contextmanager
def stop_event() -> Iterator[threading.Event]:
    """Yield an event that SIGTERM or SIGINT sets."""
    stop = threading.Event()
    before = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGINT)}
    for each in before:
        signal.signal(each, lambda *_: stop.set())
    try:
        yield stop
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)


def _start(
    arguments: list[str], environment: dict[str, str], log: Path | None
) -> Callable[[], subprocess.Popen[bytes]]:
    return lambda: spawn(command(arguments), env=environment, log=log)


def _intake(settings: Settings, stop: threading.Event) -> int:
    from ingest.subscriber import IntakeSettings, run  # noqa: PLC0415 - each program loads only what it runs

    broker = settings.broker_address()
    if broker is None:
        raise BadInputError("no broker is named: set HALFSECOND_BROKER=mqtt://HOST:PORT, or run 'halfsecond serve all'")
    assert settings.database is not None
    return run(
        IntakeSettings(
            host=broker.host,
            port=broker.port,
            user=broker.user,
            password=broker.password,
            protocol=broker.protocol_version,
            client_id=settings.client_id,
            database=settings.database,
            batch=settings.batch,
            linger_s=settings.linger_s,
            metrics_port=settings.metrics_port,
            metrics_host=settings.metrics_host,
            share=settings.share,
            tls=settings.broker_tls(),
            mapping=str(settings.mapping) if settings.mapping else None,
        ),
        stop,
    )


def _watch(settings: Settings, stop: threading.Event) -> int:
    from analytics.watch import run  # noqa: PLC0415
    from ingest import upkeep  # noqa: PLC0415

    assert settings.database is not None
    with upkeep.running(settings.database, settings.keep_days):
        return run(settings.database, stop, settings.clock, settings.watch_every_s)


def _pages(settings: Settings, stop: threading.Event) -> int:
    import uvicorn  # noqa: PLC0415

    from api.app import create_app  # noqa: PLC0415
    from api.settings import ApiSettings  # noqa: PLC0415

    check_listen(settings)
    assert settings.database is not None
    host, port = settings.listen_address()
    app = create_app(
        ApiSettings(
            database=settings.database,
            account=embedded.account_name(settings),
            token=settings.token,
            clock=settings.clock,
            title=settings.title,
            mapping=settings.mapping,
        )
    )
    server = uvicorn.Server(
        uvicorn.Config(app, host=host, port=port, log_level="warning", access_log=False, timeout_graceful_shutdown=5)
    )
    # Streams that would go on for ever end with the server.
    app.state.ending = lambda: server.should_exit
    # The server takes the signals while it runs and passes them on to our own handler at its end.
    server.run()
    return 0 if stop.is_set() else 1


def _notices(settings: Settings, stop: threading.Event) -> int:
    from api.notices import worker  # noqa: PLC0415

    assert settings.database is not None
    link = settings.link.rstrip("/") if settings.link else None
    return worker.run(worker.Settings(settings.database, settings.clock, link), stop)


_RUN: dict[Program, Callable[[Settings, threading.Event], int]] = {
    "intake": _intake,
    "watch": _watch,
    "pages": _pages,
    "notices": _notices,
}


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


_ROOT = Path(deploy.__file__).resolve().parent.parent
_MAIN = "import sys; sys.path.insert(0, {root!r}); from {module} import main; raise SystemExit(main())"
