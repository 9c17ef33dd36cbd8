"""Whether a start comes up, and that the odds given are those that happen."""

from __future__ import annotations

import numpy as np
import pytest

from simulator import outcomes
from simulator.outcomes import TRIES


def scatter(starts: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(size=starts), rng.normal(size=(TRIES, starts)), rng.random((TRIES, starts))


@pytest.mark.parametrize("ratio", [0.2, 0.7, 0.85, 1.0, 1.2])
def test_the_odds_are_what_happens_in_two_hundred_thousand_calls(ratio: float) -> None:
    starts = 200_000
    ratios = np.array([[ratio], [ratio * 0.97], [ratio * 0.94]])
    call_z, try_z, try_u = scatter(starts)
    scattered = ratios * outcomes.load_factors(call_z, try_z)
    stalls = outcomes.failures(scattered, try_u, lambda k, rows: scattered[k, rows] >= 1)
    first, lockout = outcomes.odds(ratios)
    for expected, seen in ((first.item(), stalls >= 1), (lockout.item(), stalls == TRIES)):
        error = np.sqrt(expected * (1 - expected) / starts)
        assert seen.mean() == pytest.approx(expected, abs=4.5 * error + 1e-9)


def test_stalls_are_counted_only_until_the_first_try_that_comes_up() -> None:
    ratios = np.array([[2.0, 2.0, 0.1, 2.0], [2.0, 0.1, 2.0, 2.0], [0.1, 2.0, 2.0, 2.0]])
    stalls = outcomes.failures(ratios, np.full((TRIES, 4), 0.5), lambda _k, rows: np.zeros(len(rows), bool))
    assert stalls.tolist() == [2, 1, 0, 3]


def test_only_tries_near_the_edge_are_put_to_the_motor() -> None:
    ratios = np.array([[0.5, 0.95, 1.1, 2.0]] * TRIES)
    asked: list[tuple[int, list[int]]] = []

    def decide(k: int, rows: np.ndarray) -> np.ndarray:
        asked.append((k, rows.tolist()))
        return rows == 1

    stalls = outcomes.failures(ratios, np.full((TRIES, 4), 0.5), decide)
    assert asked == [(0, [1, 2]), (1, [1]), (2, [1])]
    assert stalls.tolist() == [0, 3, 0, 3]


def test_a_sound_unit_locks_only_by_the_chance_that_has_nothing_to_do_with_it() -> None:
    first, lockout = outcomes.odds(np.full((TRIES, 1), 0.3))
    assert first.item() == pytest.approx(outcomes.ALWAYS)
    assert lockout.item() == pytest.approx(outcomes.ALWAYS**TRIES)


def test_the_odds_rise_with_the_load() -> None:
    ratios = np.tile(np.linspace(0.3, 1.3, 60), (TRIES, 1))
    for odds in outcomes.odds(ratios):
        assert (np.diff(odds) >= -1e-12).all()
        assert odds[-1] > 0.9
