"""All methods on one small fleet: their thresholds, and the table of them."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import charts
from analytics.scoring import methods, plots, rows, run
from analytics.scoring.folder import Known
from analytics.scoring.methods import Method
from analytics.scoring.rows import Row
from analytics.scoring.run import Result


@pytest.fixture(scope="module")
def result(simulated: Known) -> Result:
    """What is kept of the fleet."""
    found = run.of(simulated)
    methods.with_oracle([found], [found])
    return found


@pytest.fixture(scope="module")
def every(result: Result) -> dict[str, Method]:
    """The alarms of all methods, trained on the fleet itself: plumbing, not a figure to believe."""
    return methods.methods([result], [result])


def test_every_method_keeps_to_the_budget_where_its_threshold_was_set(result: Result, every: dict[str, Method]) -> None:
    assert len(every) >= 14
    for method in every.values():
        assert methods.rate(*methods.count(method.matched, [result.known.sound])) <= methods.BUDGET
        assert (method.risen[0] == method.matched[0]).all()


def test_the_oracle_finds_more_than_chance(result: Result, every: dict[str, Method]) -> None:
    oracle = methods.found(every[run.ORACLE].risen, [result])
    chance = methods.found(every["chance"].risen, [result])
    assert np.isfinite(oracle.delay_d).sum() > 2 * np.isfinite(chance.delay_d).sum()


def test_what_is_kept_of_a_folder_has_no_starts(result: Result, simulated: Known) -> None:
    assert result.starts == len(simulated.fleet.starts.at)
    assert len(result.known.fleet.starts.at) == len(result.known.twin.log) == 0


def test_the_table_has_a_row_a_method_and_equal_columns(result: Result, every: dict[str, Method]) -> None:
    lines = methods.side_by_side([result], every)
    assert len(lines) == 2 + 1 + len(every) - len(methods.INNER) + len(methods.textbook())
    assert {line.count("|") for line in lines} == {10}


def test_the_textbooks_limits_would_keep_to_the_budget_were_days_independent() -> None:
    # pinned: 3,652 values between false signals on one side.
    limits = methods.textbook()
    assert limits[run.EWMA_CHART] == pytest.approx(3.3, abs=0.15)
    assert limits[run.CUSUM_CHART] == pytest.approx(6.3, abs=0.3)
    rng = np.random.default_rng(1)
    years, sums = 400, 0
    for _ in range(years):
        step = np.maximum.accumulate(charts.cusum(rng.normal(size=365), 0.0, 0.5)[0])
        sums += step[-1] > limits[run.CUSUM_CHART]
    # One in ten years, give or take three standard deviations of a Poisson count of forty.
    assert 21 <= sums <= 59


def test_the_scorecard_has_every_figure_with_its_target(result: Result, every: dict[str, Method]) -> None:
    shown = rows.rows([result], [result], every)
    aimed = [r for r in shown if r.target]
    assert len(aimed) == 20
    assert all(r.met is not None for r in aimed)
    assert len({r.name for r in shown}) == len(shown)


def test_a_missed_target_is_said_to_be() -> None:
    lines = rows.table([Row("a", "1", "≤ 0", met=False), Row("b", "0", "≤ 0", met=True), Row("c", "2")])
    assert lines[2:] == ["| a | 1 | ≤ 0 | **missed** |", "| b | 0 | ≤ 0 | met |", "| c | 2 |  |  |"]


def test_a_score_holds_until_there_is_a_new_one() -> None:
    assert methods._held(np.array([[1.0, np.nan, 3.0, np.nan]])).tolist() == [[1.0, 1.0, 3.0, 3.0]]


def test_curves_never_fall_and_labels_do_not_overlap(result: Result, every: dict[str, Method]) -> None:
    data = plots.curves([result], every)
    for name in {d["method"] for d in data}:
        share = [d["share"] for d in data if d["method"] == name]
        assert share == sorted(share)
    heights = sorted(plots._apart(dict.fromkeys("abc", 0.99)).values())
    assert min(np.diff(heights)) == pytest.approx(0.045)
    assert max(heights) <= 1.0


def test_the_pictures_name_what_they_show(result: Result, every: dict[str, Method]) -> None:
    drawn = str(plots.delays(plots.curves([result], every)))
    assert all(name in drawn for name in every if name not in methods.INNER)
    assert "90 % interval" in str(plots.reliability([result]))
