"""What every answer passes through: headers that keep a page to itself, and counters."""

from __future__ import annotations

import time

from prometheus_client import CollectorRegistry, Counter, Histogram
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self';"
    " frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class Shield:
    """Adds the headers and counts requests by route, so that no address of a unit becomes a label."""

    def __init__(self, app: ASGIApp, registry: CollectorRegistry) -> None:
        self.app = app
        self.requests = Counter(
            "halfsecond_http_requests", "answers by route and status", ["route", "status"], registry=registry
        )
        self.seconds = Histogram("halfsecond_http_seconds", "time to answer by route", ["route"], registry=registry)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "private, no-cache")
                route = getattr(scope.get("route"), "path_format", "other")
                self.requests.labels(route, str(message["status"])).inc()
                self.seconds.labels(route).observe(time.perf_counter() - began)
            await send(message)

        await self.app(scope, receive, answer)
