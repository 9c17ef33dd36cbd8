"""What intake answers over HTTP: its figures for Prometheus, whether it is up, and whether it is ready."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from ingest.errors import UnavailableError
from ingest.meters import Meters

_TEXT = "text/plain; charset=utf-8"


@contextmanager
def served(meters: Meters, port: int | None, host: str = "127.0.0.1") -> Iterator[None]:
    """Answer ``/metrics``, ``/healthz`` and ``/readyz`` while the block runs; nothing without a port.

    ``/readyz`` answers 200 while broker and database both do, else 503 with a line for each that is away.

    Raises
    ------
    UnavailableError
        The port is taken.
    """
    if port is None:
        yield
        return
    try:
        server = ThreadingHTTPServer((host, port), _handler(meters))
    except OSError as error:
        raise UnavailableError(f"metrics port {port} cannot be had ({error.strerror}); name another one") from None
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def answer(meters: Meters, path: str) -> tuple[int, str, bytes]:
    """Return status, content type and body for a path."""
    match path.partition("?")[0]:
        case "/metrics":
            return 200, CONTENT_TYPE_LATEST, generate_latest(meters.registry)
        case "/healthz":
            return 200, _TEXT, b"ok\n"
        case "/readyz":
            away = "".join(f"{part} is away: {why}\n" for part, why in sorted(meters.away.copy().items()))
            return (503, _TEXT, away.encode()) if away else (200, _TEXT, b"ok\n")
        case _:
            return 404, _TEXT, b"there are /metrics, /healthz and /readyz\n"


def _handler(meters: Meters) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 10

        def do_GET(self) -> None:
            status, kind, body = answer(meters, self.path)
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
            """Say nothing: a scrape every few seconds is no news."""

    return Handler
