"""How right the verdicts are beyond the alarm: causes, outlooks, repairs, intervals, and how soon a unit gets any."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta
from sklearn.metrics import roc_auc_score

from analytics.options import DAY_US, DEFAULT
from analytics.scoring.alarms import edges
from analytics.scoring.folder import NEVER, Bools, Known
from analytics.scoring.ours import Judged, Ours
from analytics.verdict import CAUSES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SETTLED_D = 14
"""Days after an alarm at which its cause is judged, or on the last day before a visit if that comes sooner."""
WEEK_D = 7
FELT = -0.03
"""Change of ln run-up from which a repair changes what the starts show; also what is called helped at least."""
RISE_D, RISE_FOLD, RISE_LEAST = 7, 3.0, 1e-3


@dataclass(frozen=True)
class Named:
    """Causes as named after alarms on faulty units: true cause, and what was stated of each, (n, 6)."""

    true: Ints
    stated: Floats

    def top(self, count: int) -> Bools:
        """Return whether the true cause is among the likeliest so many."""
        order = np.argsort(-self.stated, axis=1)[:, :count]
        return np.asarray((order == self.true[:, None]).any(axis=1))


def named(ours: Ours, known: Known) -> Named:
    """Return the causes named on faulty units, a fortnight after the first alarm within the fault."""
    true, stated = [], []
    risen = edges(ours.alarms.alarm)
    for u in np.flatnonzero(known.cause >= 0).tolist():
        during = (known.ends > known.onset[u]) & (known.ends <= known.fixed[u])
        when = np.flatnonzero(risen[u] & during)
        if not len(when):
            continue
        came = np.flatnonzero(known.visit[u, when[0] + 1 :])
        last = when[0] + (int(came[0]) if len(came) else known.days)
        d = min(int(when[0]) + SETTLED_D, last, known.days - 1)
        if np.isfinite(ours.causes[u, d]).all():
            true.append(int(known.cause[u]))
            stated.append(ours.causes[u, d])
    return Named(np.array(true, np.int64), np.array(stated, np.float64).reshape(-1, len(CAUSES)))


def balanced(right: Bools, true: Ints) -> float:
    """Return the mean over causes of the share that is right."""
    return float(np.mean([right[true == c].mean() for c in np.unique(true)])) if len(true) else float("nan")


def calibration(stated: Floats, right: Floats, bins: int = 5) -> tuple[float, float]:
    """Return mean stated less share right, and the mean distance of both over bins of equal count.

    References
    ----------
    .. [1] Naeini, Cooper, Hauskrecht (2015), Obtaining well calibrated probabilities using Bayesian binning, AAAI:
       expected calibration error.
    """
    if not len(stated):
        return float("nan"), float("nan")
    parts = np.array_split(np.argsort(stated, kind="stable"), bins)
    gaps = [abs(stated[p].mean() - right[p].mean()) * len(p) for p in parts if len(p)]
    return float(stated.mean() - right.mean()), float(sum(gaps) / len(stated))


@dataclass(frozen=True)
class Outlooks:
    """Weekly outlooks: stated and true probability of a lockout within seven days, and whether one came.

    ``begins`` marks weeks in which a fault begins: the true probability knows of it, and nobody else can.
    """

    stated: Floats
    true: Floats
    came: Bools
    begins: Bools

    def foreseeable(self) -> Outlooks:
        """Return the weeks in which no fault begins."""
        keep = ~self.begins
        return Outlooks(self.stated[keep], self.true[keep], self.came[keep], self.begins[keep])


def outlooks(ours: Ours, known: Known) -> Outlooks:
    """Return every seventh day's outlook of units that are heard of."""
    parts = []
    sound = np.log1p(-np.minimum(known.chance, 1 - 1e-12))
    for d in range(WEEK_D - 1, known.days - WEEK_D, WEEK_D):
        ahead = slice(d + 1, d + 1 + WEEK_D)
        told = np.isfinite(ours.lockout_7d[:, d]) & known.heard[:, d] & known.heard[:, ahead].any(axis=1)
        true = -np.expm1(sound[told][:, ahead].sum(axis=1))
        begins = (known.onset[told] > known.ends[d]) & (known.onset[told] <= known.ends[d + WEEK_D])
        parts.append((ours.lockout_7d[told, d], true, known.locked_out[told][:, ahead].any(axis=1), begins))
    if not parts:
        return Outlooks(np.zeros(0), np.zeros(0), np.zeros(0, bool), np.zeros(0, bool))
    return Outlooks(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def auc(stated: Floats, came: Bools) -> float:
    """Return the area under the curve; NaN where nothing or everything came."""
    return float(roc_auc_score(came, stated)) if 0 < came.sum() < len(came) else float("nan")


def brier_skill(stated: Floats, came: Bools) -> float:
    """Return one less the Brier score over that of the base rate.

    References
    ----------
    .. [1] Murphy (1973), A new vector partition of the probability score, J. Applied Meteorology 12, 595-600.
    """
    base = float(np.mean((came - came.mean()) ** 2)) if len(came) else 0.0
    return 1.0 - float(np.mean((stated - came) ** 2)) / base if base > 0 else float("nan")


def reliability(stated: Floats, came: Bools, bins: int = 10) -> list[dict[str, float]]:
    """Return stated and observed share over bins of equal lockouts, with the observed one's 90 % interval.

    References
    ----------
    .. [1] Clopper & Pearson (1934), The use of confidence or fiducial limits, Biometrika 26, 404-413.
    """
    order = np.argsort(stated, kind="stable")
    count = int(came.sum())
    if not count:
        return []
    # Equal numbers of weeks would put nearly all lockouts into the last bin: equal sums of what is stated do not.
    share = np.cumsum(stated[order]) / max(float(stated.sum()), 1e-12)
    place = np.minimum((share * min(bins, max(count // 5, 1))).astype(int), bins - 1)
    out = []
    for b in np.unique(place).tolist():
        rows = order[place == b]
        k, n = int(came[rows].sum()), len(rows)
        low = float(beta.ppf(0.05, k, n - k + 1)) if k else 0.0
        high = float(beta.ppf(0.95, k + 1, n - k)) if k < n else 1.0
        out.append({"stated": float(stated[rows].mean()), "seen": k / n, "low": low, "high": high, "weeks": float(n)})
    return out


@dataclass(frozen=True)
class Repairs:
    """Counts of visits judged after three weeks, and how many intervals hold the true change."""

    good: int
    good_helped: int
    unfelt: int
    failed: int
    failed_helped: int
    checks: int
    checks_helped: int
    intervals: int
    held: int


def repairs(judged: Sequence[Judged]) -> Repairs:
    """Return how visits were called. Good: the right work, which changed what starts show; failed: it stayed."""
    told = [j for j in judged if j.said is not None]
    helped = [j.said is not None and j.said.verdict == "helped" for j in told]
    true = np.array([j.visit.log_change for j in told])
    right = np.array([j.visit.right for j in told], bool)
    faulty = np.array([j.visit.faulty for j in told], bool)
    called = np.array(helped, bool)
    good, check = right & (true <= FELT), ~faulty & ~right
    failed = faulty & ~right & (true > FELT)
    held, intervals = 0, 0
    for j in told:
        said = j.said
        if said is None or said.low is None or said.high is None or not np.isfinite(j.visit.log_change):
            continue
        intervals += 1
        held += bool(np.log1p(max(said.low, -0.99)) <= j.visit.log_change <= np.log1p(said.high))
    return Repairs(
        good=int(good.sum()),
        good_helped=int((good & called).sum()),
        unfelt=int((right & ~good).sum()),
        failed=int(failed.sum()),
        failed_helped=int((failed & called).sum()),
        checks=int(check.sum()),
        checks_helped=int((check & called).sum()),
        intervals=intervals,
        held=held,
    )


def coverage(ours: Ours, known: Known) -> tuple[int, int, int, int]:
    """Return how many weekly drift intervals of sound units hold 0, of how many; and the same of faulty units.

    Faulty units are judged from onset to the first visit after which history begins anew, against the true excess of
    their recent starts (days halve with three active ones, as in `analytics.drift`).
    """
    true = _true_drift(known)
    anew = np.maximum.accumulate(known.restart, axis=1)
    week = np.arange(known.days) % WEEK_D == 0
    told = np.isfinite(ours.low) & np.isfinite(ours.high) & known.heard & week
    held = (ours.low <= true) & (true <= ours.high)
    sound = told & known.sound
    ill = told & ~known.sound & ~anew & (known.ends <= known.fixed[:, None]) & np.isfinite(true)
    return int((held & sound).sum()), int(sound.sum()), int((held & ill).sum()), int(ill.sum())


def _true_drift(known: Known) -> Floats:
    """Return the true excess of the recent starts of each unit and day, 0 while sound."""
    starts, excess = known.fleet.starts, known.twin.excess
    cell = starts.unit * known.days + starts.day - known.first_day
    size = known.fleet.size * known.days
    good = np.isfinite(excess)
    count = np.bincount(cell[good], minlength=size).reshape(-1, known.days)
    mean = np.bincount(cell[good], excess[good], size).reshape(-1, known.days) / np.maximum(count, 1)
    active = np.bincount(cell, minlength=size).reshape(-1, known.days) > 0
    keep = 2.0 ** (-1.0 / DEFAULT.recent_half_life_d)
    out = np.zeros_like(mean)
    last, total, weight = np.zeros(len(mean)), np.zeros(len(mean)), np.zeros(len(mean))
    for d in range(known.days):
        last = np.where(count[:, d] > 0, mean[:, d], last)
        here = active[:, d]
        total, weight = np.where(here, keep * total + last, total), np.where(here, keep * weight + 1.0, weight)
        out[:, d] = total / np.maximum(weight, 1e-9)
    return np.where(known.sound, 0.0, out)


def first_verdict_d(ours: Ours, known: Known) -> Ints:
    """Return after how many days from its first start each unit got its first figures; units without any left out."""
    begins, told = np.argmax(known.heard, axis=1), ours.usable & known.heard
    rows = told.any(axis=1)
    return np.asarray((np.argmax(told, axis=1) - begins + 1)[rows])


def risen_at(known: Known) -> Ints:
    """Return when the true chance of a locked first try rose: the end of the first week in which it did, or ``NEVER``.

    Risen is three times that of the sound unit, and one in a thousand at least, over a trailing week.
    """
    starts, twin = known.fleet.starts, known.twin
    first = np.isfinite(twin.true_p) & np.isfinite(twin.sound_p)
    cell = (starts.unit * known.days + starts.day - known.first_day)[first]
    size = known.fleet.size * known.days

    def week(values: Floats) -> Floats:
        day = np.cumsum(np.bincount(cell, values, size).reshape(-1, known.days), axis=1)
        before = np.zeros_like(day)
        before[:, RISE_D:] = day[:, :-RISE_D]
        return np.asarray(day - before)

    tries, sound, true = week(np.ones(int(first.sum()))), week(twin.sound_p[first]), week(twin.true_p[first])
    up = (tries > 0) & (true >= RISE_FOLD * sound) & (true >= RISE_LEAST * tries)
    up &= (known.ends > known.onset[:, None]) & (known.ends <= known.fixed[:, None])
    return np.where(up.any(axis=1), known.ends[np.argmax(up, axis=1)], NEVER)


def lock_delays(risen: Bools, known: Known, since: Ints) -> Floats:
    """Return the days from each unit's true rise of its chance to lock to the alarm; infinite where there was none.

    ``since`` is of `risen_at`. Alarms between the onset and the rise count as at once.
    """
    units = np.flatnonzero(since < NEVER)
    during = (known.ends > known.onset[units, None]) & (known.ends <= known.fixed[units, None])
    hit = risen[units] & during
    at = known.ends[np.argmax(hit, axis=1)]
    return np.where(hit.any(axis=1), np.maximum(at - since[units], 0) / DAY_US, np.inf)
