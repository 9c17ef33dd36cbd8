"""The order of the call list: what it would cost to wait a week with each unit."""

from __future__ import annotations

from analytics.options import Options
from analytics.verdict import StandingName

DOWN = 1000.0
"""A unit that is down costs now, not with a probability; it stands before all that are not."""
FLAGGED = {
    "down": 0.0,
    "start_assist": 0.2,
    "service": 0.2,
    "silent": 0.15,
    "watch": 0.05,
    "learning": 0.0,
    "steady": 0.0,
}
"""Share of a planned visit that a finding is worth by itself, so that one made in mild weather is not lost."""
MILD_C, DEEP_C = 5.0, -15.0
ALARM_D = 40.0
"""How long a false alarm stands, days; measured on simulated fleets."""


def coldness(coldest_c: float | None) -> float:
    """Return 0 at or above 5 °C and 1 at or below -15 °C, in between in proportion; a half where it is not known."""
    if coldest_c is None:
        return 0.5
    return min(1.0, max(0.0, (MILD_C - coldest_c) / (MILD_C - DEEP_C)))


def cost_of_waiting(
    standing: StandingName, lockout_7d: float | None, coldest_c: float | None, nats: float, options: Options
) -> float:
    """Return the expected cost of leaving a unit for a week, in planned visits; larger stands higher.

    Parameters
    ----------
    lockout_7d : probability of a lockout within 7 days; None while it is not known
    coldest_c : coldest air temperature ahead, °C; None while it is not known
    nats : evidence of a fault; it orders units of equal cost
    """
    lost = options.cold_house_cost * coldness(coldest_c)
    late = options.emergency_visit_cost - options.planned_visit_cost + lost
    cost = (lockout_7d or 0.0) * late + FLAGGED[standing] * options.planned_visit_cost + 0.001 * min(nats, 100.0)
    return DOWN + lost + cost if standing == "down" else cost


def may_be_sound(units: int, flagged: int, options: Options) -> float:
    """Return how many of the flagged units are to be expected to have nothing wrong with them, at most.

    The account's budget of false alarms, for as long as one stands: an upper figure, of which between 0.2 and 0.9 came
    true on simulated fleets.

    Parameters
    ----------
    units : units watched
    flagged : units that ask for a visit by an alarm
    """
    return min(float(flagged), options.false_alarms_per_unit_year * units * ALARM_D / 365.25)
