from __future__ import annotations

import pytest

from analytics import rank
from analytics.options import DEFAULT, Options


def test_a_unit_that_is_down_stands_before_all_others() -> None:
    down = rank.cost_of_waiting("down", None, None, 0.0, DEFAULT)
    assert down > rank.cost_of_waiting("service", 1.0, -40.0, 1e9, DEFAULT)


def test_the_likelier_and_the_colder_the_higher() -> None:
    def cost(p: float, cold: float) -> float:
        return rank.cost_of_waiting("watch", p, cold, 5.0, DEFAULT)

    assert cost(0.5, -10.0) > cost(0.1, -10.0)
    assert cost(0.5, -15.0) > cost(0.5, 5.0)


def test_a_finding_in_mild_weather_is_not_lost_among_steady_units() -> None:
    found = rank.cost_of_waiting("service", 0.0, 20.0, 12.0, DEFAULT)
    assert found > rank.cost_of_waiting("steady", 0.05, 20.0, 1.0, DEFAULT)


def test_costs_are_settings() -> None:
    dear = Options(emergency_visit_cost=10.0)
    assert rank.cost_of_waiting("watch", 0.3, 0.0, 0.0, dear) > rank.cost_of_waiting("watch", 0.3, 0.0, 0.0, DEFAULT)


def test_coldness_runs_from_mild_to_deep_cold() -> None:
    assert [rank.coldness(c) for c in (30.0, 5.0, -5.0, -15.0, -40.0)] == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert rank.coldness(None) == 0.5


def test_of_the_flagged_units_no_more_may_be_sound_than_the_budget_allows_and_never_more_than_all() -> None:
    assert rank.may_be_sound(1000, 60, DEFAULT) == pytest.approx(0.1 * 1000 * 40 / 365.25)
    assert rank.may_be_sound(1000, 3, DEFAULT) == 3
    strict = Options(false_alarms_per_unit_year=0.01)
    assert rank.may_be_sound(1000, 60, strict) == pytest.approx(rank.may_be_sound(1000, 60, DEFAULT) / 10)
