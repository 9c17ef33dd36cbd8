from __future__ import annotations

import re
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.made import CALLS
from api.rule import BREAK, LEFT, RACK, SLOW, SLOW_END, WIDTH, Gauge, in_words, place, svg


def test_half_a_second_stands_at_the_break_and_tenths_are_even() -> None:
    steps = [place(t / 10) for t in range(6)]
    assert steps[0] == LEFT
    assert steps[-1] == BREAK
    assert {round(b - a, 6) for a, b in pairwise(steps)} == {40.0}


@given(st.floats(0, 120), st.floats(0, 120))
def test_a_slower_start_never_stands_further_left(a: float, b: float) -> None:
    left, right = sorted((place(a), place(b)))
    assert (place(a) <= place(b)) == (a <= b) or left == right
    assert LEFT <= left <= right <= SLOW_END


def test_whatever_is_slower_than_the_scale_stands_at_its_end() -> None:
    assert place(0.500001) == pytest.approx(SLOW, abs=0.01)
    assert place(2.0) == place(60.0) == SLOW_END < RACK < WIDTH


@given(
    st.floats(0.05, 2.0),
    st.floats(0.05, 2.0),
    st.floats(0.001, 0.5),
)
def test_the_mark_stands_off_its_band_exactly_when_the_interval_of_the_drift_leaves_out_zero(
    expected_s: float, now_s: float, half_width: float
) -> None:
    drift = now_s / expected_s - 1
    low, high = drift - half_width, drift + half_width
    if low <= -1:
        return
    band = Gauge("watch", expected_s, now_s, low, high).band_s
    assert band is not None
    inside = band[0] <= now_s <= band[1]
    if abs(low) > 1e-9 and abs(high) > 1e-9:
        assert inside == (low < 0 < high)


def test_the_words_say_what_the_picture_shows() -> None:
    gauge = Gauge("down", 0.24, 0.62, 1.5, 1.66, 13)
    assert in_words(gauge) == "Starts in 0.62 s, 0.24 s expected (0.23 to 0.25); 13 locked starts in the last 14 days"
    assert f'aria-label="{in_words(gauge)}"' in svg(gauge)
    assert in_words(Gauge("steady", 0.2, 0.2, -0.01, 0.01)).endswith("no locked start in the last 14 days")
    assert in_words(Gauge("learning", locked=1)) == "Run-up time not judged yet; 1 locked start in the last 14 days"


@pytest.mark.parametrize("locked", [0, 1, 10, 11, 20, 21, 400])
def test_one_tick_stands_for_each_locked_start_and_the_rest_are_a_number(locked: int) -> None:
    drawn = svg(Gauge("service", 0.2, 0.3, 0.4, 0.6, locked))
    ticks = re.search(r'class="r-locked" d="([^"]*)"', drawn)
    count = ticks.group(1).count("M") if ticks else 0
    assert count == min(locked, 20)
    assert ("r-more" in drawn) == (locked > 20)


def test_a_unit_that_is_learning_has_neither_band_nor_mark() -> None:
    drawn = svg(Gauge.of(CALLS[5][0], []))
    assert "r-band" not in drawn
    assert "r-mark" not in drawn


def test_a_standing_cannot_break_out_of_the_picture() -> None:
    assert "<script" not in svg(Gauge('"><script>'))
