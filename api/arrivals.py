"""New arrivals without reload: who looks at the call list is told when it has changed, by server-sent events.

References
----------
.. [1] WHATWG HTML, section 9.2, Server-sent events.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import defaultdict
from collections.abc import AsyncIterator
from typing import Annotated, cast

import psycopg
from fastapi import APIRouter, Header, Request
from starlette.responses import StreamingResponse

from api.access import By
from api.answers import ERRORS
from ingest.store import CALLS_CHANNEL

router = APIRouter(include_in_schema=False)
log = logging.getLogger(__name__)

TICK_S = 0.5
"""How often a waiting stream looks whether the program is ending [s]."""
KEEP_ALIVE_S = 15.0
"""A comment this often keeps proxies from closing a quiet stream [s]."""
RETRY_MS = 5_000
"""After how long a browser asks again when the stream has ended [ms]."""
WAIT_S = (1.0, 30.0)
"""First and longest wait while the database is away [s]."""


class Arrivals:
    """Listens to the database on one connection, begun with the first reader, and counts each account's changes."""

    def __init__(self, database: str) -> None:
        self.database = database
        self.versions: defaultdict[int, int] = defaultdict(int)
        self.changed = asyncio.Condition()
        self._listening: asyncio.Task[None] | None = None

    def begin(self) -> None:
        """Begin to listen, unless it is done already."""
        if self._listening is None or self._listening.done():
            self._listening = asyncio.create_task(self._listen())

    async def end(self) -> None:
        """Stop listening."""
        if self._listening is not None:
            self._listening.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._listening

    async def wait(self, account_id: int, seen: int, at_most_s: float) -> int:
        """Return the account's count once it is another than the one seen, or the time is over."""
        async with self.changed:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.changed.wait_for(lambda: self.versions[account_id] != seen), at_most_s)
        return self.versions[account_id]

    async def _tell(self, account_id: int | None) -> None:
        async with self.changed:
            for one in list(self.versions) if account_id is None else [account_id]:
                self.versions[one] += 1
            self.changed.notify_all()

    async def _listen(self) -> None:
        wait_s = WAIT_S[0]
        while True:
            try:
                async with await psycopg.AsyncConnection.connect(self.database, autocommit=True) as connection:
                    await connection.execute(f"listen {CALLS_CHANNEL}")
                    wait_s = WAIT_S[0]
                    # What changed before or between is not told by the database: everybody looks once.
                    await self._tell(None)
                    async for told in connection.notifies():
                        if told.payload.isdecimal():
                            await self._tell(int(told.payload))
            except psycopg.OperationalError as error:
                log.info("the database is away, listening again in %.0f s: %s", wait_s, str(error).splitlines()[:1])
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, WAIT_S[1])


async def _events(request: Request, arrivals: Arrivals, account_id: int, last: int | None) -> AsyncIterator[str]:
    yield f"retry: {RETRY_MS}\n\n"
    seen = arrivals.versions[account_id]
    if last is not None and last != seen:
        yield f"event: calls\nid: {seen}\ndata: {seen}\n\n"
    quiet_s = 0.0
    while not request.app.state.ending():
        now = await arrivals.wait(account_id, seen, TICK_S)
        quiet_s += TICK_S
        if now != seen:
            seen, quiet_s = now, 0.0
            yield f"event: calls\nid: {seen}\ndata: {seen}\n\n"
        elif quiet_s >= KEEP_ALIVE_S:
            quiet_s = 0.0
            yield ": still here\n\n"


@router.get("/calls/events", responses=ERRORS)
async def get_events(
    request: Request, by: By, last_event_id: Annotated[str | None, Header(max_length=20)] = None
) -> StreamingResponse:
    """Tell, as long as the reader stays, that the call list has changed; what it is now is asked for as usual."""
    arrivals = cast("Arrivals", request.app.state.arrivals)
    arrivals.begin()
    last = int(last_event_id) if last_event_id and last_event_id.isdecimal() else None
    return StreamingResponse(
        _events(request, arrivals, by.account_id, last),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )
