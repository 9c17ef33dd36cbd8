"""The picture of a start: panels above one another, swings kept when thinned, and an SVG that can be read."""

from __future__ import annotations

import re

import numpy as np

from api.startchart import Line, Panel, specification, svg, thinned

T = np.linspace(0.0, 1.0, 20_001)
WAVE = Line("momentary", T, 100 * np.sin(2 * np.pi * 60 * T), "momentary")


def test_thinning_keeps_the_swings_and_the_order_of_a_wave() -> None:
    t, values = thinned(WAVE, (0.0, 1.0), 600)
    assert len(t) <= 600
    assert (np.diff(t) > 0).all()
    # 300 pieces of 60 cycles: each half cycle has its highest and lowest.
    assert values.max() > 99.9
    assert (values > 95).sum() >= 60


def test_a_short_line_is_drawn_as_it_is_within_the_span() -> None:
    t, _ = thinned(Line("x", T[:50], T[:50]), (0.0005, 0.001))
    assert t.min() >= 0.0005
    assert t.max() <= 0.001


def test_the_picture_has_a_panel_each_with_unit_and_shared_time_and_names_its_lines() -> None:
    panels = [
        Panel("current, A", [WAVE, Line("RMS", T, T * 0 + 70.7)], [(0.25, "running after 0.250 s")]),
        Panel("voltage, V", [Line("with assist", T, 230 - T)], zero=False),
    ]
    text = svg(specification("One start", "made up", panels, (0.0, 1.0)))
    words = set(re.findall(r"<text[^>]*>([^<]*)</text>", text))
    expected = {"One start", "made up", "current, A", "voltage, V", "seconds from energising", "momentary", "RMS"}
    assert expected | {"with assist", "running after 0.250 s"} <= words
