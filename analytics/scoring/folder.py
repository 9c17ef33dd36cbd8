"""A simulated fleet with what was hidden in it, as arrays by unit and day: what the scorecard judges by.

Day ``d`` of an array is the state at its end, 24:00 UTC, counted from the day of the fleet's first start.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.options import DAY_US
from analytics.tables import RESTARTS, Fleet, Ints, Tables, fleet
from analytics.verdict import CAUSES
from ingest import files
from ingest.errors import BadInputError
from ingest.shapes import FileKind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

KINDS: tuple[FileKind, ...] = ("starts", "units", "rests", "events", "visits", "forecasts")
NEVER = 2**62
FIGURES = ("run_w", "run_pf", "line_v", "line_min_v")
"""What must be fitted for a unit to count as one with voltages and running figures."""


@dataclass(frozen=True)
class Twin:
    """Of each start, in the order of the fleet's: see `simulator.twin.Twins`; NaN where it was not worked out."""

    log: Floats
    variance: Floats
    sound_p: Floats
    true_p: Floats
    excess: Floats


@dataclass(frozen=True)
class Visited:
    """One visit: its unit, instant, whether the fault was there and whether it was taken away, and the true change."""

    unit: int
    at: int
    faulty: bool
    right: bool
    log_change: float


@dataclass(frozen=True)
class Known:
    """A fleet and its truth, one row a unit; instants in microseconds, ``NEVER`` where there is none.

    ``cause`` is an index into ``CAUSES``, -1 none; ``fixed`` the first right repair; ``lockout`` the first lockout
    between onset and repair. By unit and day: ``visit`` whether there was one, ``restart`` whether one after which
    history begins anew; ``heard`` from a unit's first start to its last; ``chance`` the true probability of a lockout,
    and ``locked_out`` whether one came.
    """

    fleet: Fleet
    first_day: int
    cause: Ints
    look_alike: tuple[str | None, ...]
    onset: Ints
    fixed: Ints
    lockout: Ints
    visit: Bools
    restart: Bools
    heard: Bools
    chance: Floats
    locked_out: Bools
    visits: tuple[Visited, ...]
    twin: Twin
    figures: Bools

    @property
    def days(self) -> int:
        """Number of days."""
        return int(self.heard.shape[1])

    @property
    def ends(self) -> Ints:
        """The instant at the end of each day."""
        return (self.first_day + 1 + np.arange(self.days, dtype=np.int64)) * DAY_US

    @property
    def sound(self) -> Bools:
        """(units, days) whether a unit that is heard of has no fault yet."""
        return self.heard & ((self.cause < 0)[:, None] | (self.ends[None, :] <= self.onset[:, None]))

    @property
    def winter(self) -> Bools:
        """(days,) December to February."""
        dates = (self.first_day + np.arange(self.days)).astype("datetime64[D]").astype("datetime64[M]")
        return np.isin(dates.astype(int) % 12, (11, 0, 1))


def read(folder: Path) -> Known:
    """Return a folder that ``halfsecond simulate --twins`` wrote.

    Raises
    ------
    BadInputError
        Where a file is missing.
    """
    for name in (*(f"{kind}.ndjson" for kind in KINDS), "truth.ndjson", "twins.parquet", "twin_visits.parquet"):
        if not (folder / name).exists():
            raise BadInputError(f"{folder / name}: missing; write the folder with: halfsecond simulate --twins")
    frames = {kind: files.read(kind, [folder / f"{kind}.ndjson"], progress=False)[0] for kind in KINDS}
    lines = (folder / "truth.ndjson").read_bytes().splitlines()
    hidden = {entry["unit"]: entry for entry in map(msgspec.json.decode, lines)}
    twins, changes = pd.read_parquet(folder / "twins.parquet"), pd.read_parquet(folder / "twin_visits.parquet")
    return known(fleet(Tables(**frames)), hidden, twins, changes)


def known(whole: Fleet, hidden: dict[str, dict[str, Any]], twins: pd.DataFrame, changes: pd.DataFrame) -> Known:
    """Put a fleet and its truth side by side; frames as the simulator writes them."""
    first_day = int(whole.starts.day[0])
    days = int(whole.starts.day[-1]) - first_day + 1
    entries = [hidden[name] for name in whole.names]
    cause = np.array([CAUSES.index(e["cause"]) if e["cause"] != "none" else -1 for e in entries], dtype=np.int64)
    onset = np.array([_instant(e["onset"]) if e["cause"] != "none" else NEVER for e in entries], dtype=np.int64)
    fixed = np.array([min([_instant(r["at"]) for r in e["repairs"] if r["right"]], default=NEVER) for e in entries])
    size = (whole.size, days)
    visit, restart, locked_out = np.zeros(size, bool), np.zeros(size, bool), np.zeros(size, bool)
    for v in whole.visits:
        d = min(max(v.at // DAY_US - first_day, 0), days - 1)
        visit[v.unit, d] = True
        restart[v.unit, d] |= bool(RESTARTS & set(v.work))
    lockout = np.full(whole.size, NEVER, dtype=np.int64)
    for u, at in zip(*whole.lockouts, strict=True):
        if onset[u] <= at < fixed[u]:
            lockout[u] = min(lockout[u], at)
        locked_out[u, min(max(at // DAY_US - first_day, 0), days - 1)] = True
    return Known(
        fleet=whole,
        first_day=first_day,
        cause=cause,
        look_alike=tuple(e["look_alike"] if isinstance(e["look_alike"], str) else None for e in entries),
        onset=onset,
        fixed=fixed,
        lockout=lockout,
        visit=visit,
        restart=restart,
        heard=_heard(whole, first_day, days),
        chance=_chance(entries, first_day, days),
        locked_out=locked_out,
        visits=_visits(whole, entries, onset, fixed, changes),
        twin=_twin(whole, twins),
        figures=_figures(whole),
    )


def _instant(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1_000_000)


def _heard(whole: Fleet, first_day: int, days: int) -> Bools:
    first, last = np.full(whole.size, days), np.full(whole.size, -1)
    np.minimum.at(first, whole.starts.unit, whole.starts.day - first_day)
    np.maximum.at(last, whole.starts.unit, whole.starts.day - first_day)
    day = np.arange(days)
    return np.asarray((day >= first[:, None]) & (day <= last[:, None]))


def _chance(entries: list[dict[str, Any]], first_day: int, days: int) -> Floats:
    out = np.zeros((len(entries), days))
    for u, entry in enumerate(entries):
        told = entry["lockout_probability"]
        at = np.array([np.datetime64(p["day"]) for p in told]).astype("datetime64[D]").astype(int) - first_day
        inside = (at >= 0) & (at < days)
        out[u, at[inside]] = np.array([p["p"] for p in told])[inside]
    return out


def _visits(
    whole: Fleet, entries: list[dict[str, Any]], onset: Ints, fixed: Ints, changes: pd.DataFrame
) -> tuple[Visited, ...]:
    """Return the visits with their true change, matched to the second."""
    at = changes["at"].to_numpy().astype("datetime64[s]").astype(np.int64)
    change = dict(zip(zip(changes["unit"], at.tolist(), strict=True), changes["log_change"], strict=True))
    out = []
    for v in whole.visits:
        right = {_instant(r["at"]) // 10**6 for r in entries[v.unit]["repairs"] if r["right"]}
        out.append(
            Visited(
                unit=v.unit,
                at=v.at,
                faulty=bool(onset[v.unit] < v.at <= fixed[v.unit]),
                right=v.at // 10**6 in right,
                log_change=float(change.get((whole.names[v.unit], v.at // 10**6), float("nan"))),
            )
        )
    return tuple(out)


def _twin(whole: Fleet, twins: pd.DataFrame) -> Twin:
    unit = pd.Index(whole.names).get_indexer(pd.Index(twins["unit"])).astype(np.int64)
    key = (unit << 32) + twins["seq"].to_numpy(np.int64)
    order = np.argsort(key)
    mine = (whole.starts.unit << 32) + whole.starts.seq
    place = np.minimum(np.searchsorted(key, mine, sorter=order), len(key) - 1)
    row = order[place]
    there = key[row] == mine
    columns = [
        twins[name].to_numpy(np.float64)[row] for name in ("twin_log", "twin_var", "sound_p", "true_p", "excess")
    ]
    return Twin(*(np.where(there, column, np.nan) for column in columns))


def _figures(whole: Fleet) -> Bools:
    """Return which units have voltages and running figures fitted: told with at least half of their starts."""
    count = np.maximum(np.bincount(whole.starts.unit, minlength=whole.size), 1)
    fitted = np.ones(whole.size, bool)
    for name in FIGURES:
        told = np.bincount(whole.starts.unit, weights=np.isfinite(whole.starts.measured[name]), minlength=whole.size)
        fitted &= told / count > 0.5
    return fitted
