"""What would have been said at each date, from tables alone: the verdict of a date knows nothing later than it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from analytics import core, report
from analytics.options import DAY_US, DEFAULT, Options
from analytics.report import EPOCH, Ranked
from analytics.tables import Fleet, Tables, fleet
from analytics.verdict import Verdict


def dates(whole: Fleet, first: datetime | None, last: datetime | None, every: timedelta) -> list[int]:
    """Return the instants to speak for, microseconds since 1970 UTC.

    They step from the first midnight UTC after the first start to the first after the last one; ``first`` and ``last``
    leave out those before and after, and do not move the steps.

    Raises
    ------
    ValueError
        If ``every`` is not positive.
    """
    step = every // timedelta(microseconds=1)
    if step <= 0:
        raise ValueError("every: must be longer than nothing, such as 1d or 6h")
    if len(whole.starts.at) == 0:
        return []
    begins = (int(whole.starts.at.min()) // DAY_US + 1) * DAY_US
    ends = (int(whole.starts.at.max()) // DAY_US + 1) * DAY_US
    low = begins if first is None else _instant(first)
    high = ends if last is None else min(ends, _instant(last))
    return [t for t in range(begins, ends + 1, step) if low <= t <= high]


def _instant(when: datetime) -> int:
    aware = when if when.tzinfo else when.replace(tzinfo=UTC)
    return (aware - EPOCH) // timedelta(microseconds=1)


def ranked(whole: Fleet, instants: list[int], options: Options = DEFAULT) -> Iterator[tuple[int, list[Ranked]]]:
    """Yield each instant with the verdicts of all units by name."""
    for instant, state in core.run(whole, instants, options):
        yield instant, list(report.verdicts(state, whole, instant))


def replay(
    tables: Tables,
    first: datetime | None = None,
    last: datetime | None = None,
    every: timedelta = timedelta(days=1),
    options: Options = DEFAULT,
) -> Iterator[Verdict]:
    """Yield one verdict a unit a date, by date and then by unit.

    Parameters
    ----------
    tables : frames of starts and, where there are any, of units, rests, events, visits and forecasts
    first, last : limits of the dates, both included; by default all that the starts span
    every : step between dates, positive
    """
    whole = fleet(tables)
    for _, verdicts in ranked(whole, dates(whole, first, last, every), options):
        for one in verdicts:
            yield one.verdict
