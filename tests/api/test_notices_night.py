"""A cold night of a simulated fleet, from what loggers send to what webhooks are sent."""

from __future__ import annotations

import re
from collections import Counter
from contextlib import ExitStack
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics import watch
from analytics.options import DAY_US
from ingest import store
from simulator.fleet import simulate
from tests.api.noticing import EVENING, ZONE, House, eventually, home, listening, states, working

__all__ = ["home"]

pytestmark = [pytest.mark.stack, pytest.mark.slow]
UNITS, SITES, SEED = 16, 4, 7
FIRST = datetime(2026, 1, 4, tzinfo=UTC)
NIGHT_H = 15
"""From six in the evening to nine in the morning, digest and all."""
LOCKED = timedelta(minutes=20)
"""Into each hour the unit that comes and goes has locked three times."""
WELL = "s-4"
"""The site that stays well."""
CHANGED = re.compile(r"(\d+) units? at (\S+) became worse(?:; likely cause: (.+))?\.$", re.MULTILINE)


def failed(like: pd.Series, at: datetime, seq: int) -> list[dict[str, object]]:
    """Return three tries five minutes apart that lock, of a unit that otherwise starts like this."""
    tried = {"outcome": "locked", "run_up_s": np.nan, "run_a": np.nan, "run_w": np.nan, "run_pf": np.nan}
    return [
        {**like, **tried, "at": pd.Timestamp(at + n * timedelta(minutes=5)), "seq": seq + n, "retry": n}
        for n in range(3)
    ]


def cold_night(starts: pd.DataFrame, units: pd.DataFrame) -> tuple[pd.DataFrame, list[str], str]:
    """Return the starts of a night in which units of three sites fail, those units, and one that comes and goes.

    Those that fail lock three times at some moment of the night and are not heard again; the one that comes and goes
    locks three times each hour, and runs in between.
    """
    noise = np.random.default_rng(3)
    fail = units[units["site"] != WELL]["unit"].tolist()
    flaps, *gone = fail
    last = starts[starts["at"] < pd.Timestamp(EVENING)].groupby("unit").tail(1).set_index("unit", drop=False)
    kept, more = [starts[~starts["unit"].isin(fail)]], []
    for seq, unit in enumerate(gone, 1):
        at = EVENING + timedelta(minutes=float(noise.uniform(10, 600)))
        kept.append(starts[(starts["unit"] == unit) & (starts["at"] < pd.Timestamp(at))])
        more += failed(last.loc[unit], at, 10_000 * seq)
    kept.append(starts[(starts["unit"] == flaps) & (starts["at"] < pd.Timestamp(EVENING))])
    for hour in range(NIGHT_H - 3):
        at = EVENING + timedelta(hours=hour, minutes=7)
        more += failed(last.loc[flaps], at, 500_000 + 10 * hour)
        more.append({**last.loc[flaps], "at": pd.Timestamp(at + timedelta(minutes=25)), "seq": 500_005 + 10 * hour})
    fell = pd.DataFrame(more, columns=starts.columns).astype(starts.dtypes)
    return pd.concat([*kept, fell]).sort_values("at"), gone, flaps


def test_a_cold_night_of_a_fleet_is_for_each_person_one_message_a_site_and_cause_and_one_digest(home: House) -> None:
    fleet = simulate(UNITS, 21, SEED, FIRST, faulty=0.0)
    sites = [f"s-{1 + n * SITES // UNITS}" for n in range(UNITS)]
    units = fleet.units.assign(site=sites, zone=ZONE, lat=40.1, lon=-106.3)
    starts, gone, flaps = cold_night(fleet.starts, units)
    store.put_units(home.connection, home.account_id, units)
    followed = watch.Followed()

    def heard(since: datetime, until: datetime) -> None:
        span = (starts["at"] >= pd.Timestamp(since)) & (starts["at"] < pd.Timestamp(until))
        store.put_starts(home.connection, home.account_id, starts[span])
        day = int(since.timestamp() * 1e6) // DAY_US
        watch.refresh(home.connection, home.account_id, followed, day, "data")
        home.look(until, well=False, clock="data")

    with ExitStack() as stack:
        hooks = {
            name: stack.enter_context(listening())
            for name in ("Kim Example", "Robin Example", "Sam Example", "Jo Example")
        }
        for name, wishes in (
            ("Kim Example", {}),
            ("Robin Example", {"standings": ["down"]}),
            ("Sam Example", {"quiet_from": time(21), "quiet_to": time(6, 30)}),
            ("Jo Example", {"wake_for_down": True}),
        ):
            home.person(name, hooks[name].address, **wishes)
        heard(FIRST, EVENING)
        for hour in range(NIGHT_H):
            begin = EVENING + timedelta(hours=hour)
            # Looked at while the one that comes and goes is down, and again when it runs.
            heard(begin, begin + LOCKED)
            heard(begin + LOCKED, begin + timedelta(hours=1))
        with working(home, clock="data"):
            eventually(lambda: bool(states(home)) and {state for state, _ in states(home)} == {"sent"})

    down = home.connection.execute(
        "select u.unit from standing s join unit u using (unit_id) where s.standing = 'down'"
    ).fetchall()
    assert {unit for (unit,) in down} >= set(gone)
    for name, hook in hooks.items():
        digests = [m for m in hook.taken if m["title"].startswith("Not yet seen: ")]
        changes = [m for m in hook.taken if m not in digests]
        told = [found.groups() for m in changes for found in CHANGED.finditer(m["message"])]
        assert len(told) == len(changes), name
        assert {site for _, site, _ in told} == {f"s-{n}" for n in range(1, SITES)}
        # One message for a site and cause; who wants to be woken for what is down gets one more, with the first of it.
        keys = [(site, cause, "down" in m["title"]) for (_, site, cause), m in zip(told, changes, strict=True)]
        assert set(Counter(keys).values()) == {1}, name
        again = [key for key, count in Counter((site, cause) for site, cause, _ in keys).items() if count > 1]
        assert again == [] or name == "Jo Example"
        assert all(keys.index((*key, False)) < keys.index((*key, True)) for key in again)
        # Nobody is told of a unit twice, the one that comes and goes least of all.
        named = Counter(u for m in changes for u in re.findall(r"^(\S+): down since", m["message"], re.MULTILINE))
        assert set(named.values()) == {1}, name
        assert named[flaps] == 1
        assert len(digests) == 1, name
        listed = set(re.findall(r"^\d+\. (\S+) at ", digests[0]["message"], re.MULTILINE))
        assert set(gone) <= {*named, *listed}
        assert set(gone) <= listed
