"""Quiet hours and the hour of the digest, by the clock on the wall of a time zone, across its changes of the clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

MINUTE = timedelta(minutes=1)
DIGEST_LATE_H = 3
"""A digest that could not go out at its hour still goes out this many hours later, and else not until the next day."""


@dataclass(frozen=True)
class Quiet:
    """Times of the day between which nothing is sent; across midnight where the end comes first; none where equal."""

    begins: time
    ends: time

    def holds(self, wall: time) -> bool:
        """Return whether a time of the day lies within."""
        if self.begins <= self.ends:
            return self.begins <= wall < self.ends
        return wall >= self.begins or wall < self.ends


def due(at: datetime, quiet: Quiet | None, zone: tzinfo) -> datetime:
    """Return when something may be sent that is ready at an instant: then, or at the end of the quiet hours.

    Parameters
    ----------
    at : with an offset
    quiet : None for no quiet hours
    zone : whose clock the quiet hours go by

    Returns
    -------
    datetime
        In UTC. Where the clock is put forward over the end of the quiet hours they end with that; where it is put back
        into them they hold once more.
    """
    at = at.astimezone(UTC)
    if quiet is None or not _within(at, quiet, zone):
        return at
    local = at.astimezone(zone)
    for day in (local.date(), local.date() + timedelta(days=1)):
        for fold in (0, 1):
            end = datetime.combine(day, quiet.ends, zone).replace(fold=fold).astimezone(UTC)
            if end.astimezone(zone).time() != quiet.ends:
                # This wall time is left out: the hours end when the clock is put forward, within the two hours before.
                end = _put_forward(end, zone)
            if end > at:
                return end
    raise AssertionError("every wall time comes within two days")


def _within(at: datetime, quiet: Quiet, zone: tzinfo) -> bool:
    return quiet.holds(at.astimezone(zone).time())


def _put_forward(near: datetime, zone: tzinfo) -> datetime:
    """Return the minute at which the clock is put forward, near an instant."""
    minute = near - timedelta(hours=2)
    while minute.astimezone(zone).utcoffset() == (minute + MINUTE).astimezone(zone).utcoffset():
        minute += MINUTE
    return minute + MINUTE


def digest_due(at: datetime, hour: int | None, zone: tzinfo) -> bool:
    """Return whether the day's digest is due at an instant, by the clock on the zone's wall; None for no digest."""
    return hour is not None and hour <= at.astimezone(zone).hour <= hour + DIGEST_LATE_H
