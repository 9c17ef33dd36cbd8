"""How many units there are of each kind: the numbers beside the filters of the call list."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable
from threading import Lock
from typing import Any
from weakref import WeakKeyDictionary

from analytics import rank
from analytics.chosen import options_of
from api.access import Reader
from api.queries import Pool, rows
from api.words import FLAGGED, STANDINGS

CALLS = "calls"
HOLD = 20.0
"""Counts are kept this many times as long as they took to make, and no longer than `LONGEST_S`."""
LONGEST_S = 10.0
DEAR_S = 0.02
"""Counts that are made quicker than this are not kept [s]."""
_held: WeakKeyDictionary[Pool, dict[tuple[int, str], tuple[float, dict[str, Any]]]] = WeakKeyDictionary()
_lock = Lock()


def counts(reader: Reader) -> dict[str, Any]:
    """Return the units of the account by standing, and those that ask for attention by cause, area, model and person.

    All counts are before any filter.
    """
    return kept(reader, CALLS, lambda: _count(reader))


def kept(reader: Reader, what: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Return some counts of the account.

    Those of a small account are made anew each time; those of a large one, which are dear and change little from one
    second to the next, are kept for a moment.
    """
    key = (reader.account_id, what)
    with _lock:
        until, held = _held.setdefault(reader.pool, {}).get(key, (0.0, {}))
    if time.monotonic() < until:
        return held
    began = time.monotonic()
    made = make()
    took_s = time.monotonic() - began
    if took_s > DEAR_S:
        with _lock:
            _held[reader.pool][key] = (time.monotonic() + min(LONGEST_S, HOLD * took_s), made)
    return made


def forget(reader: Reader, what: str = CALLS) -> None:
    """Have the account's counts made anew, after a change that its people expect to see at once."""
    with _lock:
        _held.get(reader.pool, {}).pop((reader.account_id, what), None)


def _count(reader: Reader) -> dict[str, Any]:
    standings = {r["standing"]: r["units"] for r in rows(reader.pool, "calls.standings", reader.account_id)}
    facets: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for r in rows(reader.pool, "calls.facets", reader.account_id, standings=list(FLAGGED)):
        facets[r["facet"]][r["value"]] = r["units"]
    asking = standings.get("start_assist", 0) + standings.get("service", 0)
    sound = rank.may_be_sound(sum(standings.values()), asking, options_of(reader.settings))
    off = rows(reader.pool, "calls.snoozed", reader.account_id, gravest=list(FLAGGED), now=reader.now)
    return {
        "standings": {s: standings[s] for s in STANDINGS if s in standings},
        **{name: facets[name] for name in ("causes", "areas", "models", "people")},
        "may_be_sound": round(sound, 1),
        "snoozed": off[0]["units"],
    }
