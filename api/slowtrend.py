"""Whether a unit's run-up time at equal conditions changes slowly, by one value a week.

The verdict's drift asks whether starts are harder now than they were; this asks whether they have been getting harder.
"""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

from analytics.tables import RESTARTS
from api.access import Reader
from api.queries import rows

SPAN = timedelta(days=182)
FEWEST_WEEKS = 8
CERTAIN = 0.01
WORTH = 0.015
"""A trend is told where its interval lies beyond this fraction a month. A sound unit wanders, so that its weekly values
hang together and the test alone is passed too often: in a simulated fleet by 85 of 318 half-years of sound units, of
which 2 also lie beyond (of 98 half-years of faulty ones, most with the fault in a part of it, 16)."""
MONTH_D = 365.25 / 12


def slow_trend(reader: Reader, unit_id: int) -> dict[str, Any] | None:
    """Return the slow change of run-up time at equal conditions over half a year, since work last changed the unit.

    The logarithm of what starts take over what they should, one value a week: Theil-Sen slope with its 90 % interval
    and Mann-Kendall's test (Helsel & Hirsch, Statistical Methods in Water Resources, chapters 10 and 12). None for
    fewer than 8 weeks.
    """
    from analytics.trend import mann_kendall, theil_sen  # noqa: PLC0415 - scipy, which few pages want

    found = rows(
        reader.pool,
        "trend.weeks",
        reader.account_id,
        unit_id=unit_id,
        since=reader.now - SPAN,
        until=reader.now,
        restarts=sorted(RESTARTS),
    )
    if len(found) < FEWEST_WEEKS:
        return None
    months = [(r["as_of"] - found[0]["as_of"]) / timedelta(days=MONTH_D) for r in found]
    values = [math.log(r["now_s"] / r["expected_s"]) for r in found]
    test, slope = mann_kendall(values), theil_sen(months, values)
    change, low, high = (math.expm1(v) for v in slope)
    weeks = len(found)
    if test.p >= CERTAIN or (low <= WORTH and high >= -WORTH):
        say = f"No slow trend worth telling over the last {weeks} weeks at equal conditions"
    else:
        way = "longer" if change > 0 else "shorter"
        say = f"Over the last {weeks} weeks starts have become slowly {way} at equal conditions"
    say += f": {_percent(change)} % a month (90 % interval {_percent(low)} to {_percent(high)} %)."
    return {
        "weeks": weeks,
        "change_per_month": round(change, 4),
        "low": round(low, 4),
        "high": round(high, 4),
        "p": float(f"{test.p:.2g}"),
        "say": say,
    }


def _percent(fraction: float) -> str:
    text = f"{100 * fraction:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text.replace("-", "\N{MINUS SIGN}")
