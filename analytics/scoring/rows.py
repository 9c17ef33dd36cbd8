"""The scorecard as rows: each figure with its target, and whether it is met; and all methods side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from analytics.scoring import alarms, judge
from analytics.scoring.alarms import Found
from analytics.scoring.folder import NEVER, Bools
from analytics.scoring.methods import BUDGET, Method, count, found, rate, share, shipped
from analytics.scoring.run import ALONE, ORACLE, ORACLE_LOCKS, OUR_LOCKS, OURS, Result
from analytics.verdict import CAUSES

Floats = NDArray[np.float64]

FIXED = "fixed threshold"


@dataclass(frozen=True)
class Row:
    """One figure: what it is, what was measured, what was aimed at, and whether that was met (None: no target)."""

    name: str
    value: str
    target: str = ""
    met: bool | None = None


def _told(count: int, years: float) -> str:
    return f"{rate(count, years):.3f} ({count} in {years:,.0f} unit-years)"


def false_alarms(risen: Sequence[Bools], results: Sequence[Result]) -> list[Row]:
    """Return the rows of false alarms."""
    sound = [r.known.sound for r in results]
    winter = [s & r.known.winter for s, r in zip(sound, results, strict=True)]
    looks = [np.array([x is not None for x in r.known.look_alike])[:, None] for r in results]
    alike, plain = (
        [s & k for s, k in zip(sound, looks, strict=True)],
        [s & ~k for s, k in zip(sound, looks, strict=True)],
    )
    total, cold = count(risen, sound), count(risen, winter)
    warm = (total[0] - cold[0], total[1] - cold[1])
    ratio = rate(*cold) / rate(*warm) if warm[0] else float("inf") if cold[0] else float("nan")
    a, p = count(risen, alike), count(risen, plain)
    kinds = sorted({x for r in results for x in r.known.look_alike if x})
    each = []
    for kind in kinds:
        mask = [
            s & np.array([x == kind for x in r.known.look_alike])[:, None] for s, r in zip(sound, results, strict=True)
        ]
        n, years = count(risen, mask)
        each.append(f"{kind.replace('_', ' ')} {n} in {years:.0f}")
    odds = binomtest(a[0], a[0] + p[0], a[1] / (a[1] + p[1]), alternative="greater").pvalue if a[0] + p[0] else 1.0
    return [
        Row("alarms a unit-year on sound units", _told(*total), f"≤ {BUDGET:.2f}", rate(*total) <= BUDGET),
        Row(
            "the same, December to February over other months",
            f"{ratio:.2f} ({_told(*cold)}; {_told(*warm)})",
            "≤ 1.25",
            ratio <= 1.25,
        ),
        Row(
            "the same, look-alikes against plain units",
            f"{_told(*a)} against {_told(*p)}; by chance as many with p = {odds:.2f}; {', '.join(each)}",
            "no more than by chance, p > 0.05",
            odds > 0.05,
        ),
    ]


def _ratio(ours: Floats, theirs: Floats) -> tuple[str, float]:
    middle, low, high = alarms.median_ratio(ours, theirs)
    return (
        f"{middle:.2f} ({_wide(low)} to {_wide(high)}): {alarms.middle_d(ours):.0f} d against "
        f"{alarms.middle_d(theirs):.0f} d, {len(ours)} faults"
    ), middle


def _wide(value: float) -> str:
    return f"{value:.2f}" if value < 1e6 else "∞"


def delays(risen: Sequence[Bools], every: dict[str, Method], results: Sequence[Result]) -> list[Row]:
    """Return the rows of how faults are found: ours as shipped, the others at the threshold of the training fleets."""
    ours, oracle, alone = (found(a, results) for a in (risen, every[ORACLE].risen, every[ALONE].risen))
    # The same where all give exactly the same false alarms on the fleets judged.
    even, best_even, alone_even = (found(every[name].matched, results) for name in (OURS, ORACLE, ALONE))
    mine, best = share(ours.before), share(oracle.before)
    n = int(np.isfinite(ours.before).sum())
    fitted = ours.figures
    with_figures = _ratio(ours.delay_d[fitted], oracle.delay_d[fitted])
    time_alone = _ratio(alone.delay_d, oracle.delay_d)
    fixed = {name: found(m.risen, results) for name, m in every.items() if name.startswith(FIXED)}
    most = max(int(np.isfinite(f.delay_d).sum()) for f in fixed.values())
    hits = int(np.isfinite(ours.delay_d).sum())
    alike = _as_quiet(list(fixed), rate(*count(risen, [r.known.sound for r in results])), results)
    return [
        Row(
            "faults flagged before their first lockout, over the oracle's share",
            f"{mine / best:.2f} ({mine:.2f} against {best:.2f} of {n} faults that locked out); "
            f"matched {share(even.before):.2f} against {share(best_even.before):.2f}",
            "≥ 0.95",
            mine >= 0.95 * best,
        ),
        Row(
            "median delay over the oracle's, voltages and running figures fitted",
            f"{with_figures[0]}; matched {_ratio(even.delay_d[fitted], best_even.delay_d[fitted])[1]:.2f}",
            "≤ 1.25",
            with_figures[1] <= 1.25,
        ),
        Row(
            "the same on start time alone, all units",
            f"{time_alone[0]}; matched {_ratio(alone_even.delay_d, best_even.delay_d)[1]:.2f}",
            "≤ 1.50",
            time_alone[1] <= 1.5,
        ),
        Row(
            "faults flagged, over the best fixed threshold",
            f"{hits / most if most else float('inf'):.2f} ({hits} against {most} of {len(ours.delay_d)}, which gives "
            f"{BUDGET:.2f} false alarms); {hits} against {alike} where it gives no more false alarms than this project",
            "≥ 2",
            hits >= 2 * most,
        ),
        Row("faults flagged by cause, and by the oracle", _by_cause(ours, oracle)),
    ]


def _as_quiet(names: Sequence[str], budget: float, results: Sequence[Result]) -> int:
    """Return the most faults that one of some methods flags at a threshold that keeps to a rate of false alarms."""
    hits = []
    for name in names:
        h = alarms.matched([(r.scores[name], r.known) for r in results], budget)
        told = found([alarms.rises(r.scores[name], r.known.visit, h) for r in results], results)
        hits.append(int(np.isfinite(told.delay_d).sum()))
    return max(hits)


def _by_cause(ours: Found, oracle: Found) -> str:
    parts = []
    for c, cause in enumerate(CAUSES):
        mine = ours.cause == c
        if mine.any():
            a, b = (int(np.isfinite(f.delay_d[mine]).sum()) for f in (ours, oracle))
            parts.append(f"{cause.replace('_', ' ')} {a} and {b} of {int(mine.sum())}")
    return ", ".join(parts)


def locks(every: dict[str, Method], results: Sequence[Result]) -> list[Row]:
    """Return the rows of locked starts, both tests at the same false alarms on the training fleets."""
    ours, oracle = (
        np.concatenate([_lock_delays(a, r) for a, r in zip(every[name].risen, results, strict=True)])
        for name in (OUR_LOCKS, ORACLE_LOCKS)
    )
    a, b = int(np.isfinite(ours).sum()), int(np.isfinite(oracle).sum())
    text, middle = _ratio(ours, oracle)
    return [
        Row(
            "raised rates of locked starts flagged by locked starts alone, over the oracle's",
            f"{a / b if b else float('nan'):.2f} ({a} against {b} of {len(ours)} units whose true rate tripled)",
            "≥ 0.95",
            a >= 0.95 * b,
        ),
        Row("the same, median delay over the oracle's", text, "≤ 1.20", middle <= 1.2),
    ]


def _lock_delays(risen: Bools, r: Result) -> Floats:
    return judge.lock_delays(risen, r.known, r.lock_rise)


def causes(results: Sequence[Result]) -> list[Row]:
    """Return the rows of causes."""
    true = np.concatenate([r.named.true for r in results])
    named = judge.Named(true, np.concatenate([r.named.stated for r in results]))
    if not len(true):
        return [Row("causes", "none seen")]
    first, two = judge.balanced(named.top(1), true), float(named.top(2).mean())
    each = [
        f"{cause.replace('_', ' ')} {named.top(1)[true == c].mean():.2f} of {int((true == c).sum())}"
        for c, cause in enumerate(CAUSES)
        if (true == c).any()
    ]
    gap, error = judge.calibration(named.stated.max(axis=1), named.top(1).astype(float))
    return [
        Row(
            f"cause named rightly within {judge.SETTLED_D} days of the alarm, mean over causes",
            f"{first:.2f} (of all {named.top(1).mean():.2f}, {len(true)} alarms)",
            "≥ 0.85",
            first >= 0.85,
        ),
        Row("the same by cause", ", ".join(each)),
        Row("the true cause among the likeliest two", f"{two:.2f}", "≥ 0.92", two >= 0.92),
        Row(
            "stated probability of the likeliest less share right",
            f"{gap:+.3f} (mean distance over five bins {error:.3f})",
            "within 0.05",
            abs(gap) <= 0.05,
        ),
    ]


def outlook(results: Sequence[Result]) -> list[Row]:
    """Return the rows of outlooks."""
    names = judge.Outlooks.__dataclass_fields__
    o = judge.Outlooks(*(np.concatenate([getattr(r.outlooks, k) for r in results]) for k in names))
    told = o.foreseeable()
    if not told.came.any():
        return [Row("outlooks", "no lockouts seen")]
    ours, best = judge.auc(told.stated, told.came), judge.auc(told.true, told.came)
    fold, skill = float(o.stated.sum() / o.came.sum()), judge.brier_skill(o.stated, o.came)
    return [
        Row(
            "area under the curve of lockouts within 7 days, over that of the true probability",
            f"{ours / best:.3f} ({ours:.3f} against {best:.3f}; {len(told.came):,} weeks, {int(told.came.sum())} with "
            "one; weeks in which a fault begins left out, since only the truth knows of it)",
            "≥ 0.96",
            ours >= 0.96 * best,
        ),
        Row(
            "the same, all weeks",
            f"{judge.auc(o.stated, o.came):.3f} against {judge.auc(o.true, o.came):.3f}; {len(o.came):,} weeks, "
            f"{int(o.came.sum())} with one",
        ),
        Row(
            "lockouts stated over seen, all weeks",
            f"{fold:.2f} (the true probability: {o.true.sum() / o.came.sum():.2f})",
            "0.75 to 1.30",
            0.75 <= fold <= 1.3,
        ),
        Row(
            "Brier skill over the base rate, all weeks",
            f"{skill:+.3f} (the true probability: {judge.brier_skill(o.true, o.came):+.3f})",
            "> 0",
            skill > 0,
        ),
    ]


def repairs(results: Sequence[Result]) -> list[Row]:
    """Return the rows of repairs."""
    total = judge.Repairs(*(sum(getattr(r.repairs, k) for r in results) for k in judge.Repairs.__dataclass_fields__))
    held = total.held / total.intervals if total.intervals else float("nan")
    good = total.good_helped / total.good if total.good else float("nan")
    bad = total.failed_helped / total.failed if total.failed else float("nan")
    return [
        Row(
            "90 % intervals of a visit's change that hold the true one, after 21 days",
            f"{held:.2f} of {total.intervals}",
            "0.88 to 0.97",
            0.88 <= held <= 0.97,
        ),
        Row(
            "good repairs called helped after 21 days",
            f"{good:.2f} of {total.good} ({total.unfelt} that changed no start by 3 % left out)",
            "≥ 0.90",
            good >= 0.90,
        ),
        Row("failed repairs called helped", f"{bad:.2f} of {total.failed}", "≤ 0.05", bad <= 0.05),
        Row("visits to sound units called helped", f"{total.checks_helped} of {total.checks}, fitted kits included"),
    ]


def intervals(results: Sequence[Result]) -> list[Row]:
    """Return the rows of sufficiency and of the intervals of drift."""
    sums = np.sum([r.coverage for r in results], axis=0)
    days = np.concatenate([r.first_verdict_d for r in results])
    all_ = (sums[0] + sums[2]) / max(sums[1] + sums[3], 1)
    sound, ill = sums[0] / max(sums[1], 1), sums[2] / max(sums[3], 1)
    return [
        Row(
            "days from the first start to the first figures",
            f"{int(np.median(days))} (90 % of units within {int(np.quantile(days, 0.9))})",
            "7",
            float(np.median(days)) <= 7,
        ),
        Row(
            "90 % intervals of drift that hold the true one, weekly",
            f"{all_:.3f} (sound units {sound:.3f} of {sums[1]:,}, faulty ones {ill:.3f} of {sums[3]:,})",
            "0.87 to 0.95",
            bool(0.87 <= all_ <= 0.95),
        ),
    ]


def fleet(results: Sequence[Result], training: Sequence[Result]) -> list[Row]:
    """Return the rows of what was judged."""
    faults = sum(int((r.known.cause >= 0).sum()) for r in results)
    out = sum(int((r.known.lockout < NEVER).sum()) for r in results)
    units, days = sum(r.known.fleet.size for r in results), max(r.known.days for r in results)
    trained = sum(r.known.fleet.size for r in training)
    return [
        Row(
            "judged on",
            f"{sum(r.starts for r in results):,} starts of {units:,} units in {days} days; {faults} faults, {out} of "
            f"which locked out; thresholds of the others set on {trained:,} more units",
        )
    ]


def rows(results: Sequence[Result], training: Sequence[Result], every: dict[str, Method]) -> list[Row]:
    """Return the whole scorecard."""
    risen = shipped(results)
    return [
        *fleet(results, training),
        *false_alarms(risen, results),
        *delays(risen, every, results),
        *locks(every, results),
        *causes(results),
        *outlook(results),
        *repairs(results),
        *intervals(results),
    ]


def table(shown: Sequence[Row]) -> list[str]:
    """Return rows as Markdown."""
    word = {None: "", True: "met", False: "**missed**"}
    lines = [f"| {r.name} | {r.value} | {r.target} | {word[r.met]} |" for r in shown]
    return ["| figure | value | target | |", "|---|---|---|---|", *lines]
