"""The stream that tells of a changed call list, over a real connection: the test client would wait for its end."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import httpx2
import psycopg
import pytest

from api.app import create_app
from api.settings import ApiSettings
from ingest import store
from ingest.database import connect
from ingest.store import VerdictRow
from tests.api import made
from tests.api.conftest import HERE, THERE
from tests.api.serving import serving

pytestmark = pytest.mark.stack
PATIENCE_S = 20.0


@contextmanager
def listening(address: str, **headers: str) -> Iterator[list[str]]:
    """Yield the lines that the stream has told so far."""
    told: list[str] = []
    stop = threading.Event()

    def read() -> None:
        with httpx2.stream("GET", f"{address}/calls/events", headers=headers, timeout=PATIENCE_S) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            for line in stream.iter_lines():
                told.append(line)
                if stop.is_set():
                    return

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    yield told
    stop.set()


def until(told: list[str], text: str, times: int = 1) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while sum(text in line for line in told) < times:
        assert time.monotonic() < deadline, f"{text!r} did not come: {told}"
        time.sleep(0.05)


def test_a_new_verdict_is_told_to_those_who_look_at_that_account_and_to_nobody_else(database: str) -> None:
    made.partitions(database)
    with psycopg.connect(database) as conn:
        mine = made.fleet(conn, HERE, units=2, days=1, verdict_days=1)
        theirs = made.fleet(conn, THERE, units=2, days=1, verdict_days=1)
    app = create_app(ApiSettings(database, HERE, clock="data"))
    with serving(app) as address, listening(address) as told:
        # The first word comes once the database is listened to.
        until(told, "event: calls")
        with connect(database) as connection:
            row = VerdictRow("u-0001", made.NOW, "watch", 3.0, json.dumps(made.SCENES[3]).encode())
            store.put_verdicts(connection, theirs, [row])
            time.sleep(1.0)
            assert sum("event: calls" in line for line in told) == 1
            store.put_verdicts(connection, mine, [row])
        until(told, "event: calls", 2)
        httpx2.patch(f"{address}/v1/units/u-0002/call", json={"acknowledged": True}).raise_for_status()
        until(told, "event: calls", 3)
        app.state.ending = lambda: True


def test_who_missed_something_while_away_is_told_at_once(database: str) -> None:
    with psycopg.connect(database) as conn:
        made.account(conn, HERE)
    app = create_app(ApiSettings(database, HERE))
    with serving(app) as address, listening(address, **{"Last-Event-ID": "77"}) as told:
        until(told, "event: calls")
        assert told[0] == "retry: 5000"
        app.state.ending = lambda: True
