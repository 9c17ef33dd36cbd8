"""How long repairs hold by kind of work, and how often units lock out by cohort: counts with what they leave open.

A repair holds until the unit locks out or the same work is done again; it stops being watched at the next other work
that changes how the unit starts, or with the last that was heard. Kinds of work are compared as they were chosen, not
at random: a part that is fitted to the worst units is bound to look worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import false_discovery_control

from analytics import intervals, survival
from analytics.charts import share_limits

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

EARLY_D, LATE_D = 90.0, 365.0
FEWEST_ENDS = 5
"""Ends from which a law or a comparison is told."""
FALSE_DISCOVERY = 0.10
LEVEL = 0.90


@dataclass(frozen=True)
class Share:
    """A share with its 90 % interval; None where it cannot be told."""

    value: float | None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Kind:
    """How one kind of work holds.

    Attributes
    ----------
    work : str
    visits, ended : int
        Times it was done, and how many of these did not hold.
    held_90d, held_365d : Share
        Still holding after that many days (Kaplan-Meier); None beyond the longest that any was watched.
    median_d : float, optional
        Days by which half had ended.
    weibull_shape, weibull_scale_d : float, optional
        Below 1 ends come early, about 1 at any age, above 1 with age; from five ends on.
    p : float, optional
        Probability of a difference to all other work at least as large by chance (log-rank), from five ends on.
    early, early_of : int
        Of those done at least 90 days ago and watched that long or ended before, how many ended within 90 days.
    early_share : Share
        The same with Wilson's interval.
    stands_out : str, optional
        ``more`` or ``fewer`` where that share is outside the limits of a chart of proportions about that of all work.
    """

    work: str
    visits: int
    ended: int
    held_90d: Share
    held_365d: Share
    median_d: float | None
    weibull_shape: float | None
    weibull_scale_d: float | None
    p: float | None
    early: int
    early_of: int
    early_share: Share
    stands_out: str | None


@dataclass(frozen=True)
class Cohort:
    """Units and how many of them locked out, over the time until each did or was last heard.

    ``per_100_years`` are first lockouts in 100 unit-years with the exact 90 % interval, ``ratio`` that over the rate of
    all other units; ``stands_out`` where the ratio is still told from 1 at a false-discovery rate of 0.1 over the list.
    """

    by: str
    value: str | None
    units: int
    locked_out: int
    unit_years: float
    per_100_years: Share
    ratio: Share
    p: float | None
    stands_out: str | None = None


def kinds(work: Sequence[str], days: Floats, ended: Bools) -> list[Kind]:
    """Return how each kind of work holds, the most frequent first.

    Parameters
    ----------
    work : sequence of str (N,)
        Kind of work of each visit.
    days : array (N,)
        How long it held or was watched [d], above 0.
    ended : bool array (N,)
        Whether it did not hold.
    """
    names = np.asarray(work, dtype=object)
    early = ended & (days <= EARLY_D)
    told = early | (days > EARLY_D)
    common = float(early.sum() / told.sum()) if told.any() else 0.0
    found = [_kind(str(name), names == name, days, ended, early, told, common) for name in dict.fromkeys(work)]
    return sorted(found, key=lambda kind: (-kind.visits, kind.work))


def _kind(name: str, own: Bools, days: Floats, ended: Bools, early: Bools, told: Bools, common: float) -> Kind:
    ends = int(ended[own].sum())
    curve = survival.kaplan_meier(days[own], ended[own], LEVEL)
    law = None
    if ends >= FEWEST_ENDS and len(np.unique(days[own & ended])) >= 2:
        law = survival.weibull(days[own], ended[own])
    p = None
    if ends >= FEWEST_ENDS and int(ended[~own].sum()) >= FEWEST_ENDS:
        p = survival.log_rank(days[own], ended[own], days[~own], ended[~own])[1]
    count, of = int((early & own).sum()), int((told & own).sum())
    share = Share(None)
    outside = None
    if of:
        ends_of = intervals.share(count, of, LEVEL)
        share = Share(count / of, float(ends_of.low), float(ends_of.high))
        lower, upper = share_limits(common, of)
        # The normal approximation behind the limits wants five expected or more.
        if of * common >= FEWEST_ENDS:
            outside = "more" if count / of > upper else "fewer" if count / of < lower else None
    return Kind(
        name,
        int(own.sum()),
        ends,
        _held(curve, days[own], EARLY_D),
        _held(curve, days[own], LATE_D),
        survival.median(curve),
        law and law.shape,
        law and law.scale,
        p,
        count,
        of,
        share,
        outside,
    )


def _held(curve: survival.Curve, days: Floats, after_d: float) -> Share:
    """Return the share still holding after some days; None where none was watched that long and some still held."""
    watched = int((days >= after_d).sum())
    if not watched and not (curve.share.size and curve.share[-1] == 0):
        return Share(None)
    value, low, high = survival.holding(curve, after_d)
    if low is None and value == 1.0:
        # Nothing has ended yet: the exact interval of none of those that were watched so long.
        return Share(1.0, 1 - float(intervals.share(0, watched, LEVEL, "exact").high), 1.0)
    return Share(value, low, high)


def cohorts(rows: Sequence[tuple[str, str | None, int, int, float]]) -> list[Cohort]:
    """Return how often the units of each cohort lock out, and which stand out from all others.

    ``rows`` are (by, value, units, units that locked out, unit-years until then); the row by ``all`` is the whole.
    """
    whole = next((row for row in rows if row[0] == "all"), None)
    found = []
    for by, value, units, locked_out, years in rows:
        rate = Share(None)
        if years > 0:
            ends = intervals.count(locked_out, LEVEL)
            rate = Share(100 * locked_out / years, float(100 * ends.low / years), float(100 * ends.high / years))
        ratio, p = Share(None), None
        if whole is not None and by != "all" and locked_out >= 0:
            others, other_years = whole[3] - locked_out, whole[4] - years
            if years > 0 and other_years > 0 and whole[3] > 0:
                against = intervals.rate_ratio(locked_out, years, others, other_years, LEVEL)
                ratio, p = Share(*(v if np.isfinite(v) else None for v in against[:3])), against.p
        found.append(Cohort(by, value, units, locked_out, years, rate, ratio, p))
    tested = [i for i, one in enumerate(found) if one.p is not None]
    if not tested:
        return found
    adjusted = false_discovery_control([found[i].p or 0.0 for i in tested])
    for i, q in zip(tested, adjusted, strict=True):
        one = found[i]
        if q <= FALSE_DISCOVERY:
            more = one.ratio.value is None or one.ratio.value > 1
            found[i] = Cohort(**{**vars(one), "stands_out": "more" if more else "fewer"})
    return found
