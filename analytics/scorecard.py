"""How good the verdicts are on simulated fleets whose truth is known: ``python -m analytics.scorecard FOLDER...``.

Each folder is one that ``halfsecond simulate`` wrote. The table is printed as Markdown; every figure is of the folders
given and of nothing else.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from sklearn.metrics import roc_auc_score
from tqdm import tqdm

from analytics import replay
from analytics.options import DAY_US
from analytics.tables import Fleet, Tables, fleet
from analytics.verdict import CAUSES, Verdict
from ingest import files
from ingest.shapes import FileKind

KINDS: tuple[FileKind, ...] = ("starts", "units", "rests", "events", "visits", "forecasts")
WINTER = (12, 1, 2)
SETTLED_D = 14
"""Days after an alarm at which its cause is judged."""
REPAIR_D = 22
UNIT_YEAR = 365.25


@dataclass
class Score:
    """Counts over all fleets; see ``table`` for what they become."""

    starts: int = 0
    healthy_days: Counter[str] = field(default_factory=Counter)
    false_alarms: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    delays_d: dict[str, list[int]] = field(default_factory=dict)
    causes: list[tuple[str, str, float]] = field(default_factory=list)
    repairs: Counter[tuple[str, str]] = field(default_factory=Counter)
    outlooks: list[tuple[float, bool]] = field(default_factory=list)


@dataclass
class _Unit:
    """What is remembered of one unit while its verdicts pass by."""

    truth: dict[str, Any]
    alarm: bool = False
    flagged: date | None = None


def truth(folder: Path) -> dict[str, dict[str, Any]]:
    """Return what was hidden in a simulated fleet, by unit."""
    lines = (folder / "truth.ndjson").read_bytes().splitlines()
    return {entry["unit"]: entry for entry in map(msgspec.json.decode, lines)}


def read(folder: Path) -> Fleet:
    """Return a simulated fleet as arrays."""
    frames = {kind: files.read(kind, [folder / f"{kind}.ndjson"], progress=False)[0] for kind in KINDS}
    return fleet(Tables(**frames))


def judge(
    score: Score, verdicts: Iterator[Verdict], hidden: dict[str, dict[str, Any]], lockouts: dict[str, list[int]]
) -> None:
    """Add the verdicts of a fleet, by date and unit, to the score; ``lockouts`` has the days that controls told of."""
    units = {name: _Unit(entry) for name, entry in hidden.items()}
    for entry in hidden.values():
        if entry["cause"] != "none":
            score.faults[entry["cause"]] += 1
    for verdict in verdicts:
        unit, day = units[verdict.unit], date.fromisoformat(verdict.as_of[:10])
        alarm = verdict.run_up.alarm or verdict.locked.alarm
        _alarm(score, unit, day, alarm=alarm)
        unit.alarm = alarm
        if unit.flagged is not None and day == unit.flagged + timedelta(days=SETTLED_D):
            _cause(score, unit, verdict)
        _repair(score, unit, verdict, day)
        number = (day - date(1970, 1, 1)).days
        if verdict.lockout_7d is not None and verdict.standing != "down" and number % 7 == 0:
            came = any(number <= when < number + 7 for when in lockouts.get(verdict.unit, []))
            score.outlooks.append((verdict.lockout_7d, came))


def _alarm(score: Score, unit: _Unit, day: date, *, alarm: bool) -> None:
    hidden = unit.truth
    onset = date.fromisoformat(hidden["onset"][:10]) if hidden["onset"] else None
    if hidden["cause"] == "none" or onset is None or day <= onset:
        kind = f"{hidden['look_alike'] or 'plain'}, {'winter' if day.month in WINTER else 'other months'}"
        score.healthy_days[kind] += 1
        score.false_alarms[kind] += alarm and not unit.alarm
    elif alarm and unit.flagged is None and not any(r["right"] and r["at"][:10] <= str(day) for r in hidden["repairs"]):
        unit.flagged = day
        score.delays_d.setdefault(hidden["cause"], []).append((day - onset).days)


def _cause(score: Score, unit: _Unit, verdict: Verdict) -> None:
    shares = {cause: getattr(verdict.causes, cause) for cause in CAUSES}
    if None in shares.values():
        return
    likeliest = max(CAUSES, key=lambda cause: shares[cause])
    score.causes.append((unit.truth["cause"], likeliest, shares[likeliest]))


def _repair(score: Score, unit: _Unit, verdict: Verdict, day: date) -> None:
    repair = verdict.repair
    if repair is None or repair.verdict == "too_early":
        return
    if day != date.fromisoformat(repair.visit[:10]) + timedelta(days=REPAIR_D):
        return
    made = [r for r in unit.truth["repairs"] if r["at"][:10] == repair.visit[:10]]
    if made:
        score.repairs["right" if made[0]["right"] else "failed", repair.verdict] += 1


def _rate(score: Score, *, only: str) -> str:
    kinds = [kind for kind in score.healthy_days if only in kind]
    years = sum(score.healthy_days[kind] for kind in kinds) / UNIT_YEAR
    count = sum(score.false_alarms[kind] for kind in kinds)
    return f"{count / years:.3f} ({count} in {years:.0f} unit-years)" if years else "none seen"


def table(score: Score) -> list[str]:
    """Return the score as lines of a Markdown table."""
    delays = [d for each in score.delays_d.values() for d in each]
    faults = sum(score.faults.values())
    middle = sorted([*delays, *[10**6] * (faults - len(delays))])[faults // 2] if faults else 0
    right = [truly == named for truly, named, _ in score.causes]
    by_cause = [
        f"{cause} {len(score.delays_d.get(cause, []))}/{count}" for cause, count in sorted(score.faults.items())
    ]
    good = {v: n for (kind, v), n in score.repairs.items() if kind == "right"}
    bad = {v: n for (kind, v), n in score.repairs.items() if kind == "failed"}
    stated, came = (np.array(column, dtype=float) for column in zip(*(score.outlooks or [(0.0, False)]), strict=True))
    outlook = "none seen"
    if 0 < came.sum() < len(came):
        auc = roc_auc_score(came, stated)
        outlook = f"{stated.sum() / came.sum():.2f} ({auc:.2f}) of {len(came):,} outlooks, {came.sum():.0f} lockouts"
    rows = [
        ("starts", f"{score.starts:,}"),
        ("alarms per unit-year on units without fault", _rate(score, only="")),
        ("the same, December to February", _rate(score, only="winter")),
        ("the same, other months", _rate(score, only="other")),
        ("the same, units without a look-alike", _rate(score, only="plain")),
        ("faults flagged while active", f"{len(delays)} of {faults}: {', '.join(by_cause)}"),
        ("median days from onset to alarm, unflagged counted last", f"{middle}" if middle < 10**6 else "none"),
        (
            f"cause right {SETTLED_D} days after the alarm (mean stated)",
            f"{np.mean(right):.2f} ({np.mean([p for *_, p in score.causes]):.2f}) of {len(right)}"
            if right
            else "none seen",
        ),
        (
            f"right repairs called, {REPAIR_D} days after",
            ", ".join(f"{v} {n}" for v, n in sorted(good.items())) or "none",
        ),
        ("lockouts within 7 days, stated over observed (area under the curve)", outlook),
        ("failed repairs called", ", ".join(f"{v} {n}" for v, n in sorted(bad.items())) or "none"),
    ]
    return ["| figure | value |", "|---|---|", *(f"| {name} | {value} |" for name, value in rows)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the scorecard of the folders given."""
    parser = argparse.ArgumentParser(prog="python -m analytics.scorecard", description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    score = Score()
    for folder in tqdm(parser.parse_args(arguments).folders, desc="fleets", file=sys.stderr, disable=None):
        whole, hidden = read(folder), truth(folder)
        score.starts += len(whole.starts.at)
        dates = replay.dates(whole, None, None, timedelta(microseconds=DAY_US))
        lockouts: dict[str, list[int]] = {}
        for unit, at in zip(*whole.lockouts, strict=True):
            lockouts.setdefault(whole.names[int(unit)], []).append(int(at) // DAY_US)
        judge(score, (one.verdict for _, part in replay.ranked(whole, dates) for one in part), hidden, lockouts)
    print("\n".join(table(score)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
