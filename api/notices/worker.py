"""The program that notices: looks at every account a few times a minute, and sends, by a queue of tasks in PostgreSQL.

The queue is procrastinate's: it sees to it that of several such programs one looks and one sends, that what fails is
tried again later, and that what a killed program had in hand is taken up by another.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import procrastinate
import psycopg
from procrastinate import App, PsycopgConnector, RetryDecision, SyncPsycopgConnector
from procrastinate.jobs import Job
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg_pool import PoolTimeout

from api.access import Reader
from api.notices.account import Look
from api.notices.delivery import FIRST_WAIT, TRIES, deliver, wait
from api.notices.logs import plainly
from api.notices.look import Seen, look
from api.queries import Pool, Row, open_pool, writing
from api.settings import ApiSettings, Clock
from ingest.database import connect
from ingest.errors import HalfsecondError
from ingest.named_sql import queries

EVERY = "* * * * * */15"
"""When accounts are looked at, as cron has it, with seconds at the end."""
TAKE_UP = "* * * * *"
NIGHTLY = "23 3 * * *"
STALLED_S = 60
"""A task whose program has given no sign of life for so long is taken up by another."""
KEEP_DAYS = 400
CONCURRENCY = 4
GRACE_S = 20.0
LOST_S = 3.0
"""How long tasks get to end where the database has gone too."""
WAIT_S = (1.0, 30.0)
"""First and longest wait while the database is away."""
_SQL = queries("api", "sql/notices.sql")
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Settings:
    """What the program goes by.

    Parameters
    ----------
    database : conninfo
    clock : ``wall``, or ``data`` for a replayed history
    link : what the addresses of pages in messages begin with; None for none
    every : when accounts are looked at, as cron has it
    first_wait : before the second try of what a service did not take
    tries : after so many it is given up
    poll_s : longest that a task which is due waits for being seen, seconds
    """

    database: str
    clock: Clock = "wall"
    link: str | None = None
    every: str = EVERY
    first_wait: timedelta = FIRST_WAIT
    tries: int = TRIES
    poll_s: float = 5.0


def run(settings: Settings, stop: threading.Event) -> int:
    """Work until ``stop`` is set; return 0. What is being sent is finished first, within some seconds."""
    wait_s = WAIT_S[0]
    while not stop.is_set():
        try:
            connect(settings.database).close()
            with plainly(), _reading(settings) as pool:
                wait_s = WAIT_S[0]
                asyncio.run(_work(settings, pool, stop))
        except (HalfsecondError, procrastinate.exceptions.ConnectorException, psycopg.OperationalError) as error:
            if stop.is_set():
                break
            text = (str(error).strip().splitlines() or [type(error).__name__])[0]
            print(f"notices: the database is away, trying again in {wait_s:.0f} s: {text}", file=sys.stderr, flush=True)
            stop.wait(wait_s)
            wait_s = min(2 * wait_s, WAIT_S[1])
    return 0


async def _work(settings: Settings, pool: Pool, stop: threading.Event) -> None:
    app = tasks(settings, pool)
    async with app.open_async():
        work = asyncio.create_task(
            app.run_worker_async(
                concurrency=CONCURRENCY,
                fetch_job_polling_interval=settings.poll_s,
                shutdown_graceful_timeout=GRACE_S,
                stalled_worker_timeout=STALLED_S,
                delete_jobs="always",
                install_signal_handlers=False,
            )
        )
        # The event is a signal handler's, which no loop can wait for.
        while not stop.is_set() and not work.done():  # noqa: ASYNC110
            await asyncio.sleep(0.1)
        work.cancel()
        while not work.done() and await asyncio.to_thread(_answers, settings.database):
            await asyncio.wait({work}, timeout=1.0)
        if not work.done() and (await asyncio.wait({work}, timeout=LOST_S))[1]:
            # Nothing can be noted any more, and the queue would go on trying for half a minute: what is in hand is
            # taken up by another program, as after a kill.
            print("notices: the database has gone while stopping; tasks in hand are left", file=sys.stderr, flush=True)
            os._exit(0)
        try:
            await work
        except asyncio.CancelledError:
            if not stop.is_set():
                raise


def _answers(database: str) -> bool:
    try:
        connect(database).close()
    except HalfsecondError:
        return False
    return True


def tasks(settings: Settings, pool: Pool) -> App:
    """Return the queue with its tasks: look, deliver, take up what was left, forget what is old."""
    app = App(connector=PsycopgConnector(conninfo=queued(settings.database), min_size=1, max_size=CONCURRENCY))

    @app.periodic(cron=settings.every)
    @app.task(name="look", lock="look", queueing_lock="look")
    def look_around(timestamp: int) -> None:  # noqa: ARG001 - the queue's own argument
        look_at_all(settings, pool)

    @app.task(name="deliver", retry=_Again(settings.first_wait), pass_context=False)
    def deliver_one(account_id: int, delivery_id: int) -> None:
        deliver(pool, account_id, delivery_id, settings.tries)

    @app.periodic(cron=TAKE_UP)
    @app.task(name="take up", lock="take up", queueing_lock="take up")
    async def take_up(timestamp: int) -> None:  # noqa: ARG001
        for job in await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=STALLED_S):
            await app.job_manager.retry_job(job)

    @app.periodic(cron=NIGHTLY)
    @app.task(name="forget", lock="forget", queueing_lock="forget")
    def forget(timestamp: int) -> None:  # noqa: ARG001
        before = datetime.now(UTC) - timedelta(days=KEEP_DAYS)
        for account in _accounts(pool):
            with writing(pool) as conn:
                conn.execute(_SQL["forget_old"], {"account_id": account["account_id"], "before": before})

    return app


def look_at_all(settings: Settings, pool: Pool, wall: datetime | None = None) -> list[Seen]:
    """Look at every account in which anybody can be told, and queue what is to be sent; return what each came to.

    Parameters
    ----------
    wall : the machine's clock, unless given
    """
    wall = wall or datetime.now(UTC)
    live = settings.clock == "wall"
    found = []
    for account in _accounts(pool):
        now = wall if live or account["heard_at"] is None else account["heard_at"]
        reader = Reader(pool, account["account_id"], account["name"], account["settings"], now)
        try:
            seen = look(Look(reader, wall, live, settings.link))
        except psycopg.Error as error:
            # One account's trouble is not the others'.
            log.warning("notices: account %s: %s", account["account_id"], " ".join(str(error).split()))
            continue
        if seen is not None:
            found.append(seen)
        _queue(settings, pool, account["account_id"])
    with writing(pool) as conn:
        conn.execute(_SQL["forget"])
    return found


def _accounts(pool: Pool) -> list[Row]:
    with pool.connection() as conn:
        return conn.execute(_SQL["accounts"]).fetchall()


def _queue(settings: Settings, pool: Pool, account_id: int) -> None:
    """Make a task for each delivery that has none, in one transaction with the note that it has."""
    with writing(pool) as conn:
        ids = [r["delivery_id"] for r in conn.execute(_SQL["unqueued"], {"account_id": account_id}).fetchall()]
        if not ids:
            return
        conn.execute(_SQL["queued"], {"account_id": account_id, "ids": ids})
        conn.execute(_SQL["in_queue"])
        # Not opened: it writes over our own connection.
        queue = App(connector=SyncPsycopgConnector(conninfo=settings.database))
        for delivery_id in ids:
            name = f"delivery {delivery_id}"
            queue.configure_task("deliver", lock=name, queueing_lock=name, connection=conn).defer(
                account_id=account_id, delivery_id=delivery_id
            )


class _Again(procrastinate.BaseRetryStrategy):
    """Tries again after waits that grow; how often is for :func:`deliver` to say, which then raises no more."""

    def __init__(self, first: timedelta) -> None:
        self.first = first

    def get_retry_decision(self, *, exception: BaseException, job: Job) -> RetryDecision | None:
        _ = exception
        return RetryDecision(retry_at=datetime.now(UTC) + wait(job.attempts, self.first))


def queued(database: str) -> str:
    """Return the conninfo by which the queue's own tables are found, and ours behind them."""
    given: dict[str, Any] = conninfo_to_dict(database)
    own = given.get("options") or ""
    return make_conninfo(database, options=f"{own} -c search_path=queue,public".strip())


@contextmanager
def _reading(settings: Settings) -> Iterator[Pool]:
    pool = open_pool(ApiSettings(settings.database, statement_limit_ms=60_000, pool_size=CONCURRENCY + 1))
    try:
        pool.open(wait=True, timeout=10)
        yield pool
    except PoolTimeout as error:
        raise psycopg.OperationalError(str(error)) from None
    finally:
        pool.close()
