"""The call list and the unit page over a large account, against the bare statements that they run, in one run."""

from __future__ import annotations

import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import httpx2
import psycopg
from psycopg.abc import Params, Query
from psycopg.types.json import Jsonb

from api import counts, queries
from api import made as verdicts
from api.access import Reader
from api.app import create_app
from api.settings import ApiSettings
from deploy.embedded import postgres as embedded_postgres
from ingest.database import ensure_partitions, migrate
from tests.api.serving import serving

UNITS = 100_000
HEARD = 2_000
"""Units with starts of the last fortnight, those at the head of the list among them."""
ROUNDS = 100
WARM = 3
"""Rounds that are not counted."""
STEADY, STEADY_PERCENT = 6, 85
"""The made verdict that most units have, and how many of a hundred have it."""
ACCOUNT = "bench"
NOW = verdicts.AS_OF


def fill(conninfo: str, units: int = UNITS, heard: int = HEARD) -> None:
    """Write an account of many units, each with a verdict, some with a fortnight of starts."""
    bodies = [v for v, _ in verdicts.CALLS]
    with psycopg.connect(conninfo, autocommit=True) as conn:
        ensure_partitions(conn, "start", (NOW - timedelta(days=15)).date(), NOW.date())
        conn.execute("insert into account (name) values (%s)", (ACCOUNT,))
        conn.execute(
            "insert into site (account_id, site, zone)"
            " select 1, 's-' || n, 'America/Denver' from generate_series(1, %s) n",
            (units // 4,),
        )
        conn.execute(
            "insert into unit (account_id, unit, site, model, metering, start_gear, run_cap_uf)"
            " select 1, 'u-' || n, 's-' || (n %% %s + 1), 'model ' || n %% 6, 'txv', 'none', 40"
            " from generate_series(1, %s) n",
            (units // 4, units),
        )
        conn.execute("create temp table body (n int, body jsonb)")
        for n, body in enumerate(bodies):
            conn.execute("insert into body values (%s, %s)", (n, Jsonb(body)))
        for table in ("standing", "verdict"):
            conn.execute(
                # Two fixed names.
                f"insert into {table} (unit_id, account_id, as_of, standing, rank, body)"  # noqa: S608
                " select u.unit_id, 1, %s, b.body ->> 'standing', 1000.0 / u.unit_id,"
                " jsonb_set(b.body, '{unit}', to_jsonb(u.unit)) from unit u join body b"
                " on b.n = case when u.unit_id %% 100 < %s then %s else u.unit_id %% %s end",
                (NOW, STEADY_PERCENT, STEADY, len(bodies)),
            )
        conn.execute(
            "insert into start (account_id, unit_id, at, seq, outcome, run_up_s)"
            " select 1, u, %s - make_interval(mins => 180 * n + u %% 60), n,"
            " case when n %% 20 = 0 then 'locked' else 'ran' end, 0.2"
            " from generate_series(1, %s) u, generate_series(0, 111) n",
            (NOW, heard),
        )
        conn.execute("insert into heard select unit_id, 1, %s, %s from unit", (NOW, NOW))
        conn.execute(
            "insert into forecast select 1, site, %s, %s + make_interval(hours => n), -10"
            " from site, generate_series(0, 167, 3) n",
            (NOW, NOW),
        )
        # As a server stands between two of its own vacuums: these come when a fifth has changed.
        conn.execute("vacuum analyze")
        conn.execute("update standing set rank = rank + 1e-9 where unit_id % 10 = 7")


@dataclass(frozen=True)
class Visit:
    """One way in which a page is asked for: what it is called, its address, and whether nothing is kept for it."""

    title: str
    path: str
    anew: bool = False


VISITS = (
    Visit("call list, first visit in a while", "/", anew=True),
    Visit("call list, again within seconds", "/"),
    Visit("unit page", "/units/u-9"),
)


@contextmanager
def recording() -> Iterator[list[tuple[Query, Params | None]]]:
    """Yield a list that every statement goes into which the pages run, whichever module asks for it."""
    kept: list[tuple[Query, Params | None]] = []
    execute = psycopg.Connection.execute

    def recorded(
        conn: psycopg.Connection[Any], query: Query, params: Params | None = None, **options: Any
    ) -> psycopg.Cursor[Any]:
        kept.append((query, params))
        return execute(conn, query, params, **options)

    with mock.patch.object(psycopg.Connection, "execute", recorded):
        yield kept


def measured(settings: ApiSettings, visit: Visit) -> tuple[int, float, float]:
    """Return how many statements a page runs, and the 95th percentiles of its time and of theirs alone [ms].

    Page and bare statements take turns, so that what else the machine does falls on both. The statements are run as the
    pages run them: by a pool of the same settings, their rows read into dicts.
    """
    app = create_app(settings)
    page_ms, bare_ms = [], []
    with serving(app) as address, httpx2.Client() as client:

        def turn() -> float:
            if visit.anew:
                counts.forget(Reader(app.state.pool, 1, ACCOUNT, {}, NOW))
            began = time.perf_counter()
            client.get(address + visit.path).raise_for_status()
            return 1000 * (time.perf_counter() - began)

        # A server that has only just started still loads what later pages want, beside the first that are asked for.
        for thread in threading.enumerate():
            if thread.name == "warm":
                thread.join()
        for _ in range(WARM):
            turn()
        with recording() as kept:
            turn()
        pool: queries.Pool = app.state.pool
        for round_ in range(WARM + ROUNDS):
            page = turn()
            began = time.perf_counter()
            for query, params in kept:
                with pool.connection() as conn:
                    conn.execute(query, params).fetchall()
            bare = 1000 * (time.perf_counter() - began)
            if round_ >= WARM:
                page_ms.append(page)
                bare_ms.append(bare)
    return len(kept), p95(page_ms), p95(bare_ms)


def p95(spans_ms: Sequence[float]) -> float:
    """Return the 95th percentile of some spans."""
    return statistics.quantiles(spans_ms, n=20)[-1]


def main() -> None:
    """Print the pages' times and their ratios to the bare statements."""
    print(f"pages: filling {UNITS} units", file=sys.stderr)
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        with embedded_postgres.running(Path(folder) / "data") as server:
            migrate(server.conninfo)
            fill(server.conninfo)
            settings = ApiSettings(server.conninfo, ACCOUNT, clock="data")
            for visit in VISITS:
                count, page_ms, bare_ms = measured(settings, visit)
                print(
                    f"{visit.title}, {UNITS:,} units: p95 {page_ms:.0f} ms; its {count} statements bare"
                    f" p95 {bare_ms:.0f} ms, ratio {page_ms / bare_ms:.1f}"
                )


if __name__ == "__main__":
    main()
