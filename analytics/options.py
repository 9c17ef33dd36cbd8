"""The settings of the verdicts: thresholds, windows and costs, each with what it means."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ingest.errors import BadInputError

DAY_US = 86_400_000_000
HOUR_US = 3_600_000_000
BUDGET, BUDGET_NATS, LOCKED_BUDGET_NATS = 0.10, 0.7, 8.0
"""False alarms a unit-year, and the thresholds that keep well within them: on simulated fleets a quarter is used
up, since a field has what no simulation has."""
FALL_A_NAT = 0.8
"""By how much the logarithm of the number of false alarms falls with each nat of threshold, on the same."""
LEAST_NATS = 0.65
"""Evidence below which nothing is an alarm, whatever the budget."""
WATCH_NATS_LESS, LEAST_WATCH_NATS, LOCKED_WATCH_SHARE = 1.5, 0.5, 0.6
"""By how much less evidence of drift than for an alarm a unit is watched, and at least at how much; and at what share
of the evidence of locked starts."""


@dataclass(frozen=True)
class Options:
    """What an account may set about its verdicts.

    The evidence thresholds are in nats (natural-log units of likelihood ratio): each further nat makes a false alarm
    about e times rarer. The costs are in any one currency, or in hours of work: only their ratios matter.
    """

    min_days: int = 7
    """Days of history before a unit gets a verdict."""
    min_active_days: int = 4
    """Days with at least one timed start among them."""
    min_starts: int = 30
    """Starts with a run-up time before a unit gets a verdict."""
    level_days: int = 60
    """Age up to which the run-up level itself is learned; after it only what conditions do to it."""
    block_days: int = 28
    """Length of one block of learning."""
    recent_half_life_d: float = 3.0
    """Half-life of the recent sums in days with starts."""
    slow_half_life_d: float = 7.0
    """Half-life of the slower sums that causes and repairs are read from."""
    wander_sd: float = 0.02
    """Standard deviation of the harmless wandering of ln run-up around its own baseline."""
    day_sd: float = 0.03
    """Standard deviation of what all starts of one day of a unit share."""
    false_alarms_per_unit_year: float = 0.10
    """Alarms a year that a unit without a fault may give: the thresholds of both tests follow from it."""
    watch_lockout_7d: float = 0.10
    """Probability of a lockout within 7 days at which a unit is watched."""
    cause_margin: float = 0.6
    """Share of the posterior that one cause needs before it is acted upon."""
    planned_visit_cost: float = 1.0
    """A visit on a day of one's own choosing: the unit of the other costs."""
    emergency_visit_cost: float = 2.5
    """A visit out of hours, because the unit is down."""
    kit_cost: float = 0.5
    """A start kit: it is fitted at the first visit where that is likelier to save a second one than to be in vain."""
    cold_house_cost: float = 4.0
    """What a customer without heat costs beyond the visit, in deep cold; common practice sets it above the visit."""

    def __post_init__(self) -> None:
        """Refuse a budget without alarms."""
        if not 0.001 <= self.false_alarms_per_unit_year <= 10:
            raise BadInputError("false_alarms_per_unit_year: a number from 0.001 to 10")

    @property
    def drift_nats(self) -> float:
        """Evidence at which a unit's run-up time counts as drifted."""
        return max(BUDGET_NATS - math.log(self.false_alarms_per_unit_year / BUDGET) / FALL_A_NAT, LEAST_NATS)

    @property
    def locked_nats(self) -> float:
        """Evidence at which a unit's rate of locked starts counts as raised."""
        return LOCKED_BUDGET_NATS - math.log(self.false_alarms_per_unit_year / BUDGET) / FALL_A_NAT

    @property
    def watch_nats(self) -> float:
        """Evidence of drift at which a unit is watched."""
        return max(self.drift_nats - WATCH_NATS_LESS, LEAST_WATCH_NATS)

    @property
    def watch_locked_nats(self) -> float:
        """Evidence of locked starts at which a unit is watched."""
        return LOCKED_WATCH_SHARE * self.locked_nats


DEFAULT = Options()
