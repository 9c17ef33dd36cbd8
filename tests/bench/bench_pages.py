"""The call list and the unit page over a large account, against the bare statements that they run, in one run."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx2
import psycopg
from psycopg.types.json import Jsonb

from api import made as verdicts
from api import queries
from api.app import create_app
from api.settings import ApiSettings
from deploy.embedded import postgres as embedded_postgres
from ingest.database import ensure_partitions, migrate
from tests.api.serving import serving

UNITS = 100_000
HEARD = 2_000
"""Units with starts of the last fortnight, those at the head of the list among them."""
ROUNDS = 60
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
        conn.execute("analyze")


def p95_ms(action: Callable[[], object]) -> float:
    """Return the 95th percentile of an action's time [ms], after two rounds to warm up."""
    spans = []
    for round_ in range(ROUNDS + 2):
        began = time.perf_counter()
        action()
        if round_ >= 2:
            spans.append(1000 * (time.perf_counter() - began))
    return statistics.quantiles(spans, n=20)[-1]


class Recorder:
    """Keeps the statements that one request runs, to run them bare afterwards."""

    def __init__(self) -> None:
        self.kept: list[tuple[str, int, dict[str, Any]]] = []
        self._rows = queries.rows

    def rows(self, pool: queries.Pool, name: str, account_id: int, /, **values: Any) -> list[queries.Row]:
        """Run a statement as usual, and keep it."""
        self.kept.append((name, account_id, values))
        return self._rows(pool, name, account_id, **values)


def statements(settings: ApiSettings, path: str) -> list[tuple[str, int, dict[str, Any]]]:
    """Return the statements that a request for a path runs, but for the counts, which are kept from one to the next."""
    from api import access, attention, calls, conditions, photos, units, visits, work  # noqa: PLC0415  # patched here only

    modules = (access, attention, calls, conditions, photos, units, visits, work)
    recorder = Recorder()
    one = queries.row

    def row(pool: queries.Pool, name: str, account_id: int, /, **values: Any) -> queries.Row | None:
        recorder.kept.append((name, account_id, values))
        return one(pool, name, account_id, **values)

    before = [(m, n, getattr(m, n)) for m in modules for n in ("row", "rows") if hasattr(m, n)]
    try:
        for module, name, _ in before:
            setattr(module, name, row if name == "row" else recorder.rows)
        with serving(create_app(settings)) as address:
            httpx2.get(address + path).raise_for_status()
    finally:
        for module, name, value in before:
            setattr(module, name, value)
    return recorder.kept


def main() -> None:
    """Print the two pages' times and their ratios to the bare statements."""
    print(f"pages: filling {UNITS} units", file=sys.stderr)
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        with embedded_postgres.running(Path(folder) / "data") as server:
            migrate(server.conninfo)
            fill(server.conninfo)
            settings = ApiSettings(server.conninfo, ACCOUNT, clock="data")
            pool = queries.open_pool(settings)
            pool.open(wait=True)
            for title, path in (("call list", "/"), ("unit page", "/units/u-9")):
                kept = statements(settings, path)

                def bare(kept: list[tuple[str, int, dict[str, Any]]] = kept) -> None:
                    for name, account_id, values in kept:
                        queries.rows(pool, name, account_id, **values)

                bare_ms = p95_ms(bare)
                with serving(create_app(settings)) as address, httpx2.Client() as client:
                    page_ms = p95_ms(lambda c=client, a=address + path: c.get(a).raise_for_status())  # type: ignore[misc]
                ratio = page_ms / bare_ms
                print(
                    f"{title} of {UNITS:,} units: p95 {page_ms:.0f} ms; its {len(kept)} statements bare"
                    f" p95 {bare_ms:.0f} ms, ratio {ratio:.1f}"
                )
            pool.close()


if __name__ == "__main__":
    main()
