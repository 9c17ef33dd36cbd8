"""Made accounts, units, starts and verdicts for the tests of the pages: invented, for plumbing only."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
from psycopg.types.json import Jsonb

from api import made
from ingest.database import ensure_partitions
from ingest.store import waves

NOW = datetime(2026, 1, 24, 12, tzinfo=UTC)
RANKS = {"down": 9.0, "service": 7.0, "start_assist": 5.0, "watch": 3.0, "silent": 2.0, "learning": 1.0, "steady": 0.5}
PRESSURES = 3
"""The unit whose logger measures pressures, by its number."""
WAVES = 4
"""The unit whose logger sends sampled starts, by its number."""
KEPT = ((20, "before_visit", 0.45), (17, "after_visit", 0.2), (2, "locked", None), (1, "ran", 0.21))
"""Its sampled starts: days ago, why it is kept, run-up time [s]."""
SCENES = [v for v, _ in made.CALLS]


def account(conn: psycopg.Connection, name: str, settings: dict[str, object] | None = None) -> int:
    found = conn.execute(
        "insert into account (name, settings) values (%s, %s) returning account_id", (name, Jsonb(settings or {}))
    ).fetchone()
    assert found is not None
    return int(found[0])


def site(conn: psycopg.Connection, account_id: int, name: str, zone: str = "America/Denver") -> None:
    conn.execute(
        "insert into site (account_id, site, zone, lat, lon) values (%s, %s, %s, 40.1, -106.3)",
        (account_id, name, zone),
    )
    issued = NOW - timedelta(hours=6)
    for hour in range(24 * 8):
        at = NOW + timedelta(hours=hour)
        conn.execute(
            "insert into forecast (account_id, site, issued, at, outdoor_c) values (%s, %s, %s, %s, %s)",
            (account_id, name, issued, at, -8 - 13 * math.sin(hour / 30)),
        )


def unit(conn: psycopg.Connection, account_id: int, name: str, site_name: str | None, model: str = "model 1") -> int:
    found = conn.execute(
        """insert into unit (account_id, unit, site, tons, refrigerant, rla_a, lra_a, volts, run_cap_uf, start_gear,
             metering, compressor, stages, model, installed)
           values (%s, %s, %s, 3, 'R-454B', 17, 83, 240, 40, 'none', 'txv', 'scroll', 1, %s, '2021-05-17')
           returning unit_id""",
        (account_id, name, site_name, model),
    ).fetchone()
    assert found is not None
    unit_id = int(found[0])
    device = f"d-{account_id}-{name}"
    conn.execute("insert into device (device, account_id, unit_id) values (%s, %s, %s)", (device, account_id, unit_id))
    conn.execute(
        """insert into device_status (device, account_id, online, firmware, clock_ok, sent, received_at)
           values (%s, %s, true, '1.0', true, 10, now())""",
        (device, account_id),
    )
    return unit_id


def starts(
    conn: psycopg.Connection, account_id: int, unit_id: int, scene: dict[str, object], days: int, locked: int
) -> None:
    """Write some starts a day whose run-up times drift to the scene's, and its locked starts of the last fortnight."""
    noise = random.Random(unit_id)
    run_up = scene["run_up"]
    assert isinstance(run_up, dict)
    expected, now = run_up["expected_s"] or 0.21, run_up["now_s"] or 0.21
    seq = 0
    for back in range(days, 0, -1):
        for hour in range(0, 24, 4):
            seq += 1
            at = NOW - timedelta(days=back) + timedelta(hours=hour, minutes=noise.randrange(60))
            level = expected if back > 20 else expected + (now - expected) * (1 - back / 20)
            conn.execute(
                """insert into start (account_id, unit_id, at, seq, outcome, run_up_s, peak_a, run_a, line_v, off_s,
                     outdoor_c)
                   values (%s, %s, %s, %s, 'ran', %s, 84, 13, 238, %s, %s)""",
                (
                    account_id,
                    unit_id,
                    at,
                    seq,
                    level * noise.uniform(0.9, 1.12),
                    noise.randrange(300, 9000),
                    -6.0 - back % 9,
                ),
            )
    for n in range(locked):
        seq += 1
        at = NOW - timedelta(hours=9 * n + 1)
        conn.execute(
            """insert into start (account_id, unit_id, at, seq, outcome, peak_a, line_v, off_s, outdoor_c, retry)
               values (%s, %s, %s, %s, 'locked', 86, 236, 300, -18, %s)""",
            (account_id, unit_id, at, seq, n % 3),
        )
    conn.execute(
        "insert into heard (unit_id, account_id, last_at, last_received_at) values (%s, %s, %s, %s)",
        (unit_id, account_id, NOW if locked else NOW - timedelta(hours=2), NOW + timedelta(seconds=3)),
    )


def rests(conn: psycopg.Connection, account_id: int, unit_id: int, count: int = 4) -> None:
    """Write rests a week apart whose pressures come together ever more slowly."""
    for back in range(count):
        at = NOW - timedelta(days=7 * back, hours=3)
        t_s = [0, 30, 60, 120, 300, 600, 1200]
        slow_s = 400 / (back + 1)
        conn.execute(
            "insert into rest (account_id, unit_id, at, seq, t_s, suction_kpa, liquid_kpa, outdoor_c)"
            " values (%s, %s, %s, %s, %s, %s, %s, -6)",
            (
                account_id,
                unit_id,
                at,
                100 - back,
                t_s,
                [700 - 200 * math.exp(-t / slow_s) for t in t_s],
                [700 + 900 * math.exp(-t / slow_s) for t in t_s],
            ),
        )


def sampled(conn: psycopg.Connection, account_id: int, unit_id: int) -> None:
    """Write the four sampled starts that are kept of a unit: a sine that falls at the run-up, or does not."""
    for days, kept, run_up_s in KEPT:
        t_s = np.arange(4_000) / 4_000 - 0.1
        large = (t_s >= 0) & (t_s < (run_up_s or 9))
        angle = 2 * np.pi * 60 * t_s
        amperes = np.where(t_s < 0, 0.0, np.where(large, 84.0, 13.0)) * np.sqrt(2) * np.sin(angle - 0.8)
        volts = np.where(large, 228.0, 240.0) * np.sqrt(2) * np.sin(angle)
        at, seq = NOW - timedelta(days=days, minutes=7), 5_000 - days
        packed = [waves.pack(np.round(values / 0.02).astype(np.int16)) for values in (amperes, volts)]
        conn.execute(
            """insert into wave (account_id, unit_id, kept, at, seq, rate_hz, hz, energised_s, current_a, current,
                 voltage_v, voltage)
               values (%s, %s, %s, %s, %s, 4000, 60, 0.1, 0.02, %s, 0.02, %s)""",
            (account_id, unit_id, kept, at, seq, *packed),
        )
        conn.execute(
            """insert into start (account_id, unit_id, at, seq, outcome, run_up_s, peak_a, line_v, line_min_v,
                 outdoor_c)
               values (%s, %s, %s, %s, %s, %s, 84, 240, 228, -9)""",
            (account_id, unit_id, at, seq, "locked" if run_up_s is None else "ran", run_up_s),
        )


def judged(
    conn: psycopg.Connection, account_id: int, unit_id: int, name: str, scene: dict[str, object], days: int
) -> None:
    """Write a verdict a day up to now, the last one being the unit's standing."""
    for back in range(days, -1, -1):
        as_of = NOW - timedelta(days=back)
        body = {**scene, "unit": name, "as_of": as_of.strftime("%Y-%m-%dT%H:%M:%SZ")}
        run_up = scene["run_up"]
        assert isinstance(run_up, dict)
        if run_up["now_s"] is not None and back > 0:
            now_s = run_up["expected_s"] + (run_up["now_s"] - run_up["expected_s"]) * max(0.0, 1 - back / 20)
            drift = now_s / run_up["expected_s"] - 1
            body["run_up"] = {**run_up, "now_s": now_s, "drift": drift, "low": drift - 0.08, "high": drift + 0.08}
        rank = RANKS[str(body["standing"])] + unit_id / 1e6
        values = (unit_id, account_id, as_of, body["standing"], rank, Jsonb(body))
        conn.execute(
            "insert into verdict (unit_id, account_id, as_of, standing, rank, body) values (%s, %s, %s, %s, %s, %s)",
            values,
        )
        if back == 0:
            conn.execute(
                "insert into standing (unit_id, account_id, as_of, standing, rank, body)"
                " values (%s, %s, %s, %s, %s, %s)",
                values,
            )


def fleet(conn: psycopg.Connection, name: str, units: int = 16, days: int = 30, verdict_days: int = 30) -> int:
    """Fill an account with made units, one of each scene and the rest steady; return its id."""
    account_id = account(conn, name)
    for number in range(1, 4):
        site(conn, account_id, f"s-{number:04}")
    steady = SCENES[6]
    for number in range(1, units + 1):
        scene, locked = made.CALLS[number - 1] if number <= len(SCENES) else (steady, 0)
        unit_name = f"u-{number:04}"
        unit_id = unit(conn, account_id, unit_name, f"s-{number % 3 + 1:04}", f"model {number % 4 + 1}")
        starts(conn, account_id, unit_id, scene, days, locked)
        judged(conn, account_id, unit_id, unit_name, scene, verdict_days)
        if number == PRESSURES:
            rests(conn, account_id, unit_id)
        if number == WAVES:
            sampled(conn, account_id, unit_id)
    first = conn.execute("select unit_id from unit where account_id = %s order by unit_id", (account_id,)).fetchone()
    assert first is not None
    conn.execute(
        """insert into visit (account_id, unit_id, at, work, parts, note)
           values (%s, %s, %s, '{run_capacitor}', '{run capacitor 40 µF}', 'old one read 27.5 µF')""",
        (account_id, first[0], NOW - timedelta(days=18)),
    )
    conn.execute(
        """insert into quarantine (account_id, device, topic, payload, reason, detail)
           values (%s, %s, %s, '{', 'bad_json', 'not JSON')""",
        (account_id, f"d-{account_id}-u-0001", f"halfsecond/1/d-{account_id}-u-0001/starts"),
    )
    return account_id


def partitions(conninfo: str, days: int = 45) -> None:
    """Make the partitions that made starts of so many days back need."""
    with psycopg.connect(conninfo) as conn:
        for table in ("start", "rest"):
            ensure_partitions(conn, table, (NOW - timedelta(days=days)).date(), (NOW + timedelta(days=2)).date())
