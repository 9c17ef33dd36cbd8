from __future__ import annotations

from xml.etree import ElementTree as ET

import numpy as np
import pytest
from fastapi.testclient import TestClient

from tests.api import made

pytestmark = pytest.mark.stack
UNIT = f"/units/u-{made.WAVES:04}"
SVG = "{http://www.w3.org/2000/svg}"


def test_the_sampled_starts_are_told_as_half_cycle_rms_with_what_each_came_to(here: TestClient) -> None:
    items = here.get(f"/v1{UNIT}/waves").json()["items"]
    assert [i["kept"] for i in items] == ["ran", "locked", "after_visit", "before_visit"]
    assert here.get(f"{UNIT}/waves.json").json()["items"] == items
    first = items[0]
    assert (first["outcome"], first["run_up_s"], first["peak_a"]) == ("ran", 0.21, 84)
    t_s, current_a, voltage_v = (np.array(first[name]) for name in ("t_s", "current_a", "voltage_v"))
    # RMS of a sine: its amplitude by root two; the samples are made of 84 A, then 13 A.
    assert current_a[(t_s > 0.05) & (t_s < 0.2)] == pytest.approx(84, rel=0.01)
    assert current_a[t_s > 0.24] == pytest.approx(13, rel=0.01)
    assert np.abs(current_a[t_s < 0]).max() < 0.02
    assert voltage_v[t_s > 0.24] == pytest.approx(240, rel=0.01)
    assert np.diff(t_s) == pytest.approx(1 / 120, abs=2e-4)


def texts(svg: str) -> list[str]:
    return ["".join(t.itertext()) for t in ET.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314  # our own


def test_each_picture_marks_its_run_up_and_all_stand_on_the_same_axes(here: TestClient) -> None:
    pictures = {
        w: texts(here.get(f"{UNIT}/wave.svg?which={w}").text) for w in ("before_visit", "after_visit", "locked")
    }
    assert "0.45 s" in pictures["before_visit"]
    assert "0.20 s" in pictures["after_visit"]
    assert not [t for t in pictures["locked"] if t.endswith(" s")]
    numbers = {w: [t for t in found if not t.endswith(" s")] for w, found in pictures.items()}
    assert numbers["before_visit"] == numbers["after_visit"] == numbers["locked"]
    assert {"current, A", "voltage, V", "seconds from energising"} <= set(numbers["locked"])


def test_the_drawing_in_the_page_is_of_the_same_specification_and_tells_values_under_the_pointer(
    here: TestClient,
) -> None:
    assert f'data-spec="{UNIT}/wave.json?which=locked&amp;width={{width}}"' in here.get(UNIT).text
    told = here.get(f"{UNIT}/wave.json?which=locked&width=400").json()
    panels = told["vconcat"]
    assert {p["width"] for p in panels} == {400 - 78}
    pointed = [layer for p in panels for layer in p["layer"] if "tooltip" in layer["encoding"]]
    assert [layer["encoding"]["tooltip"][1]["title"] for layer in pointed] == ["current, A RMS", "voltage, V RMS"]
    points = told["datasets"][pointed[0]["data"]["name"]]
    items = {i["kept"]: i for i in here.get(f"/v1{UNIT}/waves").json()["items"]}
    rms = dict(zip(items["locked"]["t_s"], items["locked"]["current_a"], strict=True))
    shown = [(p["v"], rms[p["t"]]) for p in points if p["t"] in rms]
    assert len(shown) > 50
    assert [a for a, _ in shown] == pytest.approx([b for _, b in shown], abs=0.011)
    assert here.get(f"{UNIT}/wave.json?width=100").status_code == 422


def test_the_page_shows_before_and_after_a_visit_side_by_side_and_each_start_once(here: TestClient) -> None:
    text = here.get(UNIT).text
    places = [text.index(words) for words in ("Last before the visit", "First after the visit", "Last that locked")]
    assert places == sorted(places)
    assert "running after 0.45 s, up to 84 A, down to 228 V from 240 V" in text


def test_a_unit_without_sampled_starts_has_no_picture_and_no_section(here: TestClient) -> None:
    assert "Sampled starts" not in here.get("/units/u-0001").text
    assert here.get("/v1/units/u-0001/waves").json()["items"] == []
    answer = here.get("/units/u-0001/wave.svg")
    assert answer.status_code == 404
    assert "no sampled start" in answer.json()["detail"]
    assert here.get(f"{UNIT}/wave.svg?which=any").status_code == 422
