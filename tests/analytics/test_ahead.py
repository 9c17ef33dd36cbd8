from __future__ import annotations

import numpy as np
import pytest

from analytics import ahead

ONE = np.arange(50)


def _rows(rate: float, **known: float) -> np.ndarray:
    facts = dict.fromkeys(ahead.Facts.__dataclass_fields__, 0.0) | {"days_since_lockout": 1e4, "fault": 0.08} | known
    return ahead.design(np.full(50, rate), ahead.Facts(**{name: np.full(50, x) for name, x in facts.items()}))


def test_before_any_week_is_over_the_outlook_rises_with_the_rate_and_with_what_is_wrong() -> None:
    record = ahead.begin()
    calm, likely, ill, lately = (
        ahead.probability(record, x)[0]
        for x in (_rows(0.001), _rows(0.01), _rows(0.01, fault=0.95), _rows(0.01, fault=0.95, days_since_lockout=3.0))
    )
    assert 0 < calm < likely < ill < lately < 0.5


def test_outlooks_that_came_true_too_often_are_raised() -> None:
    rng = np.random.default_rng(1)
    record = ahead.begin()
    for day in range(700):
        if day % 7 == 0:
            ahead.note(record, day, ONE, _rows(0.01))
        ahead.happened(record, day, ONE[rng.random(50) < 0.1 / 7])
    ahead.fit(record)
    assert ahead.probability(record, _rows(0.01))[0] == pytest.approx(0.095, rel=0.3)


def test_a_week_is_judged_only_when_it_is_over_and_by_its_own_days() -> None:
    record = ahead.begin()
    ahead.happened(record, 10, np.array([1]))
    ahead.note(record, 10, ONE, _rows(0.01))
    for day in range(11, 17):
        ahead.happened(record, day, np.array([2]) if day == 12 else ONE[:0])
    assert len(record.y) == 0
    ahead.happened(record, 17, np.array([3, 3]))
    assert np.flatnonzero(record.y).tolist() == [2, 3]
    assert record.waiting == []
