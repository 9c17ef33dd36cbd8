"""A made account for the tests of notices: sites, units with loggers, people with targets, an intake that is well."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import psycopg
import pytest
from psycopg.rows import dict_row
from psycopg.types.json import Jsonb

from api.made import verdict
from api.notices import gather, worker
from api.notices.worker import Settings
from api.queries import Pool, open_pool
from api.settings import ApiSettings
from ingest import lease
from ingest.database import connect

EVENING = datetime(2026, 1, 24, 1, tzinfo=UTC)
"""18:00 on 23 January in Denver, whose winter time is 7 hours behind UTC."""
ZONE = "America/Denver"
LINK = "https://heat.example.org"
NOBODY = "json://127.0.0.1:9/"
"""An address at which nobody listens: for tests that only look at what would be sent."""


@dataclass
class House:
    """One account and the means to play with it."""

    database: str
    connection: psycopg.Connection
    pool: Pool
    account_id: int

    @property
    def settings(self) -> Settings:
        return Settings(self.database, link=LINK)

    def fleet(self, sites: int, units: int) -> list[str]:
        """Make so many sites with so many units each, and return the names of all units; all are steady."""
        put = self.connection.execute
        wanted = {"account_id": self.account_id, "sites": sites, "units": units, "zone": ZONE}
        put(
            "insert into site (account_id, site, zone)"
            " select %(account_id)s, format('s-%%s', to_char(s, 'FM000')), %(zone)s"
            " from generate_series(1, %(sites)s) s",
            wanted,
        )
        put(
            "insert into unit (account_id, unit, site, run_cap_uf, start_gear)"
            " select %(account_id)s, format('%%s-u%%s', to_char(s, 'FM000'), to_char(u, 'FM000')),"
            "   format('s-%%s', to_char(s, 'FM000')), 40, 'none'"
            " from generate_series(1, %(sites)s) s, generate_series(1, %(units)s) u",
            wanted,
        )
        put(
            "insert into device (device, account_id, unit_id)"
            " select 'd-' || unit_id, account_id, unit_id from unit where account_id = %(account_id)s",
            wanted,
        )
        put(
            "insert into device_status (device, account_id, online, received_at)"
            " select device, account_id, true, now() from device where account_id = %(account_id)s",
            wanted,
        )
        names = [r[0] for r in put("select unit from unit where account_id = %(account_id)s order by unit", wanted)]
        self.stand(names, "steady", EVENING)
        return names

    def stand(self, units: Sequence[str], standing: str, at: datetime, cause: str = "cold_soak") -> None:
        """Judge units at an instant."""
        likely = ("none", 0.9) if standing in {"steady", "learning"} else (cause, 0.81)
        body = verdict("u", standing, now_s=0.33, expected_s=0.21, cause=likely, as_of=at)
        with self.connection.cursor() as cursor:
            cursor.execute(
                "insert into standing (unit_id, account_id, as_of, standing, rank, body)"
                " select unit_id, account_id, %(at)s, %(standing)s, %(rank)s, %(body)s from unit"
                " where account_id = %(account_id)s and unit = any(%(units)s)"
                " on conflict (unit_id) do update set as_of = excluded.as_of, standing = excluded.standing,"
                "   rank = excluded.rank, body = excluded.body",
                {
                    "account_id": self.account_id,
                    "units": list(units),
                    "at": at,
                    "standing": standing,
                    "rank": RANKS[standing],
                    "body": Jsonb(body),
                },
            )

    def person(self, name: str, url: str = NOBODY, **wishes: Any) -> int:
        """Add somebody with a target, and their wishes where there are any."""
        put = self.connection.execute
        row = put(
            "insert into person (account_id, name, role) values (%s, %s, 'dispatcher') returning person_id",
            (self.account_id, name),
        ).fetchone()
        assert row is not None
        put(
            "insert into notice_target (account_id, person_id, url) values (%s, %s, %s)", (self.account_id, row[0], url)
        )
        if wishes:
            names = psycopg.sql.SQL(", ").join(map(psycopg.sql.Identifier, wishes))
            places = psycopg.sql.SQL(", ").join(map(psycopg.sql.Placeholder, wishes))
            put(
                psycopg.sql.SQL(
                    "insert into notice_person (person_id, account_id, {}) values (%(person_id)s, %(account_id)s, {})"
                ).format(names, places),
                {"person_id": row[0], "account_id": self.account_id, **wishes},
            )
        return int(row[0])

    def well(self, at: datetime) -> None:
        """Let intake have received something and the watch have judged all units at an instant."""
        self.connection.execute(
            "insert into intake_minute (minute, account_id, received) values (%s, %s, 1) on conflict do nothing",
            (at.replace(second=0, microsecond=0), self.account_id),
        )
        self.connection.execute("update standing set as_of = %s where account_id = %s", (at, self.account_id))

    def look(self, at: datetime, *, well: bool = True, **settings: Any) -> None:
        """Look at the account once, as the program does."""
        if well:
            self.well(at)
        worker.look_at_all(Settings(**{**vars(self.settings), **settings}), self.pool, at)

    def looks(self, first: datetime, hours: float, step_min: float = 15) -> Iterator[datetime]:
        """Yield instants so many hours long; after each the account is looked at."""
        for n in range(int(hours * 60 / step_min)):
            at = first + timedelta(minutes=step_min * n)
            yield at
            self.look(at)

    def notices(self, kind: str | None = None) -> list[dict[str, Any]]:
        """Return the messages that were closed, with what they are about, oldest first."""
        with self.connection.cursor(row_factory=dict_row) as cursor:
            return cursor.execute(
                "select n.*, (select count(*) from notice_delivery d where d.notice_id = n.notice_id) as deliveries"
                " from notice n where account_id = %s and closed_at is not null and (%s::text is null or kind = %s)"
                " order by closed_at, notice_id",
                (self.account_id, kind, kind),
            ).fetchall()


def told(conn: psycopg.Connection, account_id: int, person: str, unit: str) -> None:
    """Add somebody with a target, and messages: a change that went out, a digest that failed, one that gathers."""
    at = EVENING - timedelta(hours=9)
    triggers = Jsonb([{"unit": unit, "from": "steady", "to": "down", "as_of": gather.stamp(at), "at": None}])
    person_id = _number(
        conn.execute(
            "insert into person (account_id, name, role) values (%s, %s, 'dispatcher') returning person_id",
            (account_id, person),
        )
    )
    target_id = _number(
        conn.execute(
            "insert into notice_target (account_id, person_id, url)"
            " values (%s, %s, 'jsons://example.org/hook-geheim') returning target_id",
            (account_id, person_id),
        )
    )
    for kind, site, state, error in (
        ("digest", None, "failed", "error=500"),
        ("change", "s-0001", "sent", None),
        ("change", "s-0002", None, None),
    ):
        notice_id = _number(
            conn.execute(
                "insert into notice (account_id, person_id, person, kind, site, cause, standing, units, triggers,"
                "  made_at, due_at, closed_at, title, body)"
                " values (%s, %s, %s, %s, %s, 'cold_soak', 'down', 1, %s, %s, %s, %s, %s, %s) returning notice_id",
                (account_id, person_id, person, kind, site, triggers, at, at, at if state else None)
                + ((f"{unit}: 1 down", f"a text of {unit}") if state else (None, None)),
            )
        )
        if state:
            conn.execute(
                "insert into notice_delivery (account_id, notice_id, target_id, target, state, tries, error,"
                "  changed_at, queued_at) values (%s, %s, %s, 'jsons …heim', %s, 1, %s, %s, %s)",
                (account_id, notice_id, target_id, state, error, at, at),
            )


def _number(cursor: psycopg.Cursor[Any]) -> int:
    row = cursor.fetchone()
    assert row is not None
    return int(row[0])


RANKS = {"down": 9.0, "service": 7.0, "start_assist": 5.0, "watch": 3.0, "silent": 2.0, "learning": 1.0, "steady": 0.5}


@contextmanager
def house(database: str, **settings: object) -> Iterator[House]:
    """Yield an account of a fresh database, whose intake runs for as long as the block does."""
    pool = open_pool(ApiSettings(database, statement_limit_ms=30_000, pool_size=4))
    with connect(database) as connection, connect(database) as intake:
        row = connection.execute(
            "insert into account (name, settings) values ('Larkfell Heating (example)', %s) returning account_id",
            (Jsonb(settings),),
        ).fetchone()
        assert row is not None
        assert lease.claim(intake, "halfsecond-intake", numbered=False)
        pool.open(wait=True)
        try:
            yield House(database, connection, pool, row[0])
        finally:
            pool.close()


@pytest.fixture
def home(database: str) -> Iterator[House]:
    with house(database) as opened:
        yield opened


@dataclass
class Service:
    """A webhook of this machine: what it was sent, and the answers it gives, the last one for ever."""

    address: str = ""
    answers: list[int] = field(default_factory=lambda: [200])
    asked: int = 0
    taken: list[dict[str, str]] = field(default_factory=list)
    delay_s: float = 0.0


@pytest.fixture
def service() -> Iterator[Service]:
    with listening() as told:
        yield told


@contextmanager
def listening() -> Iterator[Service]:
    """Yield a webhook that listens for as long as the block runs."""
    told = Service()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            time.sleep(told.delay_s)
            status = told.answers[min(told.asked, len(told.answers) - 1)]
            told.asked += 1
            if status == 200:
                told.taken.append(body)
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        told.address = f"json://127.0.0.1:{server.server_address[1]}/hook-geheim"
        yield told
        server.shutdown()
        thread.join()


def trial(home: House, count: int = 1) -> list[int]:
    """Have so many messages waiting for each target; return the numbers of the deliveries."""
    return [
        row[0]
        for row in home.connection.execute(
            "with made as (insert into notice (account_id, person, kind, made_at, due_at, closed_at, title, body)"
            "  select %s, 'Kim Example', 'trial', now(), now(), now(), 'number ' || n, 'a body'"
            "  from generate_series(1, %s) n returning notice_id)"
            " insert into notice_delivery (account_id, notice_id, target_id, target)"
            " select t.account_id, made.notice_id, t.target_id, 'json …'"
            " from made, notice_target t returning delivery_id",
            (home.account_id, count),
        )
    ]


def states(home: House) -> list[tuple[str, int]]:
    return home.connection.execute("select state, tries from notice_delivery order by delivery_id").fetchall()


QUICK = {"every": "* * * * * *", "first_wait": timedelta(milliseconds=50), "poll_s": 0.1}


@contextmanager
def working(home: House, programs: int = 1, **more: object) -> Iterator[threading.Event]:
    """Run so many of the programs in threads of this process; they end with the block."""
    stop = threading.Event()
    settings = replace(home.settings, **QUICK, **more)  # type: ignore[arg-type]
    ended: list[int] = []
    threads = [threading.Thread(target=lambda: ended.append(worker.run(settings, stop))) for _ in range(programs)]
    for thread in threads:
        thread.start()
    try:
        yield stop
    finally:
        stop.set()
        for thread in threads:
            thread.join(30)
    assert ended == [0] * programs


def eventually(holds: Callable[[], bool], patience_s: float = 30.0) -> None:
    deadline = time.monotonic() + patience_s
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)
