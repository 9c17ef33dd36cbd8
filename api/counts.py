"""How many units there are of each kind: the numbers beside the filters of the call list."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import Any
from weakref import WeakKeyDictionary

from analytics import rank
from analytics.chosen import options_of
from api.access import Reader
from api.queries import Pool, Row, rows
from api.waiting import waiting
from api.words import FLAGGED, STANDINGS

CALLS = "calls"
HOLD = 100.0
"""Counts are kept this many times as long as they took to make, and no longer than `LONGEST_S`."""
LONGEST_S = 10.0
DEAR_S = 0.02
"""Counts that are made quicker than this are not kept [s]."""
MANY = 5_000
"""Counts of the call list are made anew each time for accounts of fewer units, however slow the database just was."""
_held: WeakKeyDictionary[Pool, dict[tuple[int, str], tuple[float, dict[str, Any]]]] = WeakKeyDictionary()
_lock = Lock()
_beside = ThreadPoolExecutor(4, "counts")


def begun(reader: Reader) -> Callable[[], dict[str, Any]]:
    """Begin to count the units of the account, and return what waits for it.

    They are counted by standing, and those that ask for attention by cause, area, model and person; all before any
    filter. Days that wait to be judged are counted before this returns: a list that is read then is not older. The
    other two statements run beside each other and beside those of the page, each on a connection of its own: of a
    large account they take longer than all the rest.
    """
    held = _fresh(reader, CALLS)
    if held is not None:
        return lambda: held
    standings = _beside.submit(_timed, reader, "calls.standings")
    facets = _beside.submit(_timed, reader, "calls.facets", standings=list(FLAGGED))
    began = time.monotonic()
    yet = waiting(reader)
    third_s = time.monotonic() - began

    def ended() -> dict[str, Any]:
        (by_standing, one_s), (by_facet, other_s) = standings.result(), facets.result()
        made = _told(reader, by_standing, by_facet) | yet
        if sum(made["standings"].values()) >= MANY:
            _keep(reader, CALLS, made, max(one_s, other_s, third_s))
        return made

    return ended


def kept(reader: Reader, what: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Return some counts of the account.

    Those of a small account are made anew each time; those of a large one, which are dear and change little from one
    second to the next, are kept for a moment.
    """
    held = _fresh(reader, what)
    if held is not None:
        return held
    began = time.monotonic()
    made = make()
    _keep(reader, what, made, time.monotonic() - began)
    return made


def _timed(reader: Reader, name: str, **values: object) -> tuple[list[Row], float]:
    began = time.monotonic()
    return rows(reader.pool, name, reader.account_id, **values), time.monotonic() - began


def _fresh(reader: Reader, what: str) -> dict[str, Any] | None:
    with _lock:
        until, held = _held.setdefault(reader.pool, {}).get((reader.account_id, what), (0.0, {}))
    return held if time.monotonic() < until else None


def _keep(reader: Reader, what: str, made: dict[str, Any], took_s: float) -> None:
    if took_s > DEAR_S:
        until = time.monotonic() + min(LONGEST_S, HOLD * took_s)
        with _lock:
            _held.setdefault(reader.pool, {})[reader.account_id, what] = (until, made)


def forget(reader: Reader, what: str = CALLS) -> None:
    """Have the account's counts made anew, after a change that its people expect to see at once."""
    with _lock:
        _held.get(reader.pool, {}).pop((reader.account_id, what), None)


def _told(reader: Reader, by_standing: list[Row], by_facet: list[Row]) -> dict[str, Any]:
    standings = {r["standing"]: r["units"] for r in by_standing}
    facets: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for r in by_facet:
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
