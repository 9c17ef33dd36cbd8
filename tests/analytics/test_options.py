from __future__ import annotations

import pytest

from analytics.options import BUDGET, BUDGET_NATS, DEFAULT, LOCKED_BUDGET_NATS, Options
from ingest.errors import BadInputError


def test_the_default_budget_stands_for_the_measured_thresholds() -> None:
    assert DEFAULT.false_alarms_per_unit_year == BUDGET
    assert (DEFAULT.drift_nats, DEFAULT.locked_nats) == (BUDGET_NATS, LOCKED_BUDGET_NATS)


@pytest.mark.parametrize("budget", [0.001, 0.01, 0.1, 1.0, 10.0])
def test_a_unit_is_watched_before_it_alarms_whatever_the_budget(budget: float) -> None:
    options = Options(false_alarms_per_unit_year=budget)
    assert 0 < options.watch_nats < options.drift_nats
    assert 0 < options.watch_locked_nats < options.locked_nats


@pytest.mark.parametrize("budget", [0.0, -1.0, 11.0, float("nan")])
def test_a_budget_that_no_test_can_keep_is_refused_by_name(budget: float) -> None:
    with pytest.raises(BadInputError, match="false_alarms_per_unit_year"):
        Options(false_alarms_per_unit_year=budget)
