"""How far a logger's clock is off, when that is certain, and what a record's time is then.

A message takes time to arrive, so its receipt less the logger's time is how far the clock is behind plus the delay.
That a clock is ahead is certain at once; how far it is off only where no delay can explain what is seen:

- the last six statuses that told the logger's time, none of them kept back by the broker, spread over four hours or
  more, differ from their receipt by the same to within 30 s. Delays of a line that is now up and now down vary;
- that is two minutes or more: less does no harm;
- at least ten records have come meanwhile, and the least of their differences is that of the statuses to within 60 s. A
  logger that always sends its statuses late by the same has records that came sooner.

Then only a record whose own difference agrees to within 60 s is corrected, so that one made after the clock was set is
left alone; a status that no longer agrees ends it at once. These limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median

STATUSES = 6
SPAN = timedelta(hours=4)
SPREAD_S = 30.0
LEAST_OFF_S = 120.0
RECORDS = 10
AGREES_S = 60.0


@dataclass(frozen=True)
class Clock:
    """What is known of a logger's clock.

    ``offsets_s`` and ``received_at`` are of its last statuses, oldest first; ``offset_s`` is what must be added to its
    times, once certain, and None before. ``records`` have come since the statuses were off, ``least_s`` is the least of
    their receipt less their time.
    """

    offsets_s: tuple[float, ...] = ()
    received_at: tuple[datetime, ...] = ()
    offset_s: float | None = None
    certain_at: datetime | None = None
    records: int = 0
    least_s: float | None = None


def after_status(clock: Clock, at: datetime, received_at: datetime) -> Clock:
    """Return what is known after a status that came live and told the logger's time."""
    offset_s = (received_at - at).total_seconds()
    if clock.offsets_s and abs(offset_s - clock.offsets_s[-1]) > SPREAD_S:
        return Clock((offset_s,), (received_at,))  # it was set, or the line was slow: all begins anew
    offsets_s = (*clock.offsets_s, offset_s)[-STATUSES:]
    return judged(replace(clock, offsets_s=offsets_s, received_at=(*clock.received_at, received_at)[-STATUSES:]))


def after_records(clock: Clock, count: int, least_s: float) -> Clock:
    """Return what is known after records came, by their number and the least receipt less time among them."""
    least = least_s if clock.least_s is None else min(least_s, clock.least_s)
    return judged(replace(clock, records=clock.records + count, least_s=least))


def judged(clock: Clock) -> Clock:
    """Return the clock with its offset set, kept or withdrawn; once certain it stays the same, so that times do too."""
    if clock.least_s is not None and clock.offset_s is not None and clock.least_s < clock.offset_s - AGREES_S:
        return Clock()  # a record came sooner than the clock would let it
    if clock.offset_s is not None or len(clock.offsets_s) < STATUSES or clock.least_s is None:
        return clock
    middle_s = median(clock.offsets_s)
    constant = max(clock.offsets_s) - min(clock.offsets_s) <= SPREAD_S
    long_enough = clock.received_at[-1] - clock.received_at[0] >= SPAN
    agreed = clock.records >= RECORDS and abs(clock.least_s - middle_s) <= AGREES_S
    if constant and long_enough and agreed and abs(middle_s) >= LEAST_OFF_S:
        return replace(clock, offset_s=middle_s, certain_at=clock.received_at[-1])
    return clock


def is_suspect(clock: Clock) -> bool:
    """Tell whether the newest status is off by so much that records must be looked at."""
    return bool(clock.offsets_s) and abs(clock.offsets_s[-1]) >= LEAST_OFF_S


def corrected(at: datetime, received_at: datetime, offset_s: float) -> datetime | None:
    """Return a record's time put right, or None where the record itself does not agree with the offset."""
    if abs((received_at - at).total_seconds() - offset_s) > AGREES_S:
        return None
    return at + timedelta(seconds=offset_s)
