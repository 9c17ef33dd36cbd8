"""Every method's alarms on the same fleets, and all of them side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.charts import cusum_limit, ewma_limit
from analytics.scoring import alarms
from analytics.scoring.alarms import UNIT_YEAR_D, Found
from analytics.scoring.folder import Bools
from analytics.scoring.rivals import ALLOWANCE, EWMA_WEIGHT
from analytics.scoring.run import CUSUM_CHART, EWMA_CHART, ORACLE, ORACLE_DRIFT, ORACLE_LOCKS, OUR_LOCKS, OURS, Result

Floats = NDArray[np.float64]

BUDGET = 0.10
"""False alarms a unit-year that every method is given."""
INNER = (ORACLE_DRIFT, ORACLE_LOCKS, OUR_LOCKS)
"""Parts of a method, not methods."""


@dataclass(frozen=True)
class Method:
    """One method's alarms: at the threshold from the training fleets, and at one matched on the fleets judged."""

    name: str
    risen: list[Bools]
    matched: list[Bools]


def with_oracle(results: Sequence[Result], training: Sequence[Result]) -> None:
    """Add the oracle's two tests as one score, each weighed to use half of the budget on the training fleets."""
    halves = {
        name: max(alarms.matched([(r.scores[name], r.known) for r in training], BUDGET / 2), 1e-9)
        for name in (ORACLE_DRIFT, ORACLE_LOCKS)
    }
    for r in {id(r): r for r in (*results, *training)}.values():
        parts = [np.nan_to_num(_held(r.scores[name])) / h for name, h in halves.items()]
        r.scores[ORACLE] = np.maximum(*parts)


def _held(score: Floats) -> Floats:
    """Return a score in which the last value holds until there is a new one."""
    day = np.where(np.isnan(score), 0, np.arange(score.shape[1]))
    place = np.maximum.accumulate(day, axis=1)
    return np.take_along_axis(score, place, axis=1)


def methods(results: Sequence[Result], training: Sequence[Result]) -> dict[str, Method]:
    """Return every method's alarms on the test fleets."""
    out = {}
    for name in results[0].scores:
        h = alarms.matched([(r.scores[name], r.known) for r in training], BUDGET)
        own = alarms.matched([(r.scores[name], r.known) for r in results], BUDGET)
        out[name] = Method(
            name,
            [alarms.rises(r.scores[name], r.known.visit, h) for r in results],
            [alarms.rises(r.scores[name], r.known.visit, own) for r in results],
        )
    return out


def shipped(results: Sequence[Result]) -> list[Bools]:
    """Return the alarms as the program gives them."""
    return [alarms.edges(r.alarm) for r in results]


def found(risen: Sequence[Bools], results: Sequence[Result]) -> Found:
    """Return how all faults were found."""
    return alarms.together([alarms.found(a, r.known) for a, r in zip(risen, results, strict=True)])


def count(risen: Sequence[Bools], masks: Sequence[Bools]) -> tuple[int, float]:
    """Return the alarms within masks of unit-days, and the unit-years of these."""
    return (
        sum(int((a & m).sum()) for a, m in zip(risen, masks, strict=True)),
        sum(float(m.sum()) for m in masks) / UNIT_YEAR_D,
    )


def rate(alarms_seen: int, years: float) -> float:
    """Return alarms a unit-year; NaN without any."""
    return alarms_seen / years if years else float("nan")


def share(before: Floats) -> float:
    """Return the share that is 1 of what is known."""
    known = np.isfinite(before)
    return float(before[known].mean()) if known.any() else float("nan")


def textbook() -> dict[str, float]:
    """Return the limits that control charts should have to keep to the budget, were days independent and normal.

    From the average run length of a chart on one side: half of what signals on both come on one.
    """
    days = UNIT_YEAR_D / BUDGET
    return {
        EWMA_CHART: ewma_limit(days / 2, EWMA_WEIGHT),
        CUSUM_CHART: cusum_limit(days, ALLOWANCE, two_sided=False),
    }


def side_by_side(results: Sequence[Result], every: dict[str, Method]) -> list[str]:
    """Return all methods as Markdown: at the threshold of the training fleets, and at one matched on these."""
    head = "| method | false alarms | Dec-Feb | flagged | median delay | before lockout "
    lines = [head + "| matched: flagged | delay | before |", "|---|---|---|---|---|---|---|---|---|"]
    listed = [(f"{OURS}, as shipped", shipped(results), every[OURS].matched)]
    for name, m in every.items():
        if name not in INNER:
            told = f"{OURS}, threshold set like the others'" if name == OURS else name
            listed.append((told, m.risen, m.matched))
    for name, h in textbook().items():
        risen = [alarms.rises(r.scores[name], r.known.visit, h) for r in results]
        listed.append((f"the same {name}, limit {h:.2f} by its run length", risen, every[name].matched))
    for name, risen, matched in listed:
        sound = [r.known.sound for r in results]
        cold = [s & r.known.winter for s, r in zip(sound, results, strict=True)]
        a, b = found(risen, results), found(matched, results)
        lines.append(
            f"| {name} | {rate(*count(risen, sound)):.3f} | {rate(*count(risen, cold)):.3f} | "
            f"{_cells(a)} | {_cells(b)} |"
        )
    return lines


def _cells(f: Found) -> str:
    middle = alarms.middle_d(f.delay_d)
    days = f"{middle:.0f} d" if np.isfinite(middle) else "none"
    return f"{np.isfinite(f.delay_d).mean():.2f} | {days} | {share(f.before):.2f}"
