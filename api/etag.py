"""Entity tags: an answer that has not changed is not sent again (RFC 9110, sections 8.8.3 and 13.1.2)."""

from __future__ import annotations

import hashlib

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TAGGED = ("application/json", "text/html", "text/csv", "image/svg+xml")
_KEPT = frozenset({b"etag", b"cache-control", b"vary", b"content-location", b"date", b"expires"})


class EntityTags:
    """Gives each answer of a read a tag made of its content, and answers 304 to whoever shows that very tag.

    The tag is weak: a compressed answer and the plain one carry the same.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""
        if scope["type"] != "http" or scope["method"] not in ("GET", "HEAD"):
            await self.app(scope, receive, send)
            return
        shown = [tag.strip() for tag in Headers(scope=scope).get("if-none-match", "").split(",")]
        begun: Message | None = None
        parts: list[bytes] = []

        async def answer(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start" and _is_tagged(message):
                begun = message
                return
            if begun is None:
                await send(message)
                return
            parts.append(message.get("body", b""))
            if message.get("more_body"):
                return
            body = b"".join(parts)
            tag = f'W/"{hashlib.sha256(body).hexdigest()[:24]}"'
            headers = MutableHeaders(scope=begun)
            headers["etag"] = tag
            if tag in shown or "*" in shown:
                kept = [(k, v) for k, v in begun["headers"] if k.lower() in _KEPT]
                await send({"type": "http.response.start", "status": 304, "headers": kept})
                await send({"type": "http.response.body", "body": b""})
                return
            await send(begun)
            await send({"type": "http.response.body", "body": body})

        await self.app(scope, receive, answer)


def _is_tagged(start: Message) -> bool:
    headers = Headers(raw=start["headers"])
    return (
        start["status"] == 200
        and headers.get("content-type", "").partition(";")[0] in TAGGED
        and "content-encoding" not in headers
        and "etag" not in headers
    )
