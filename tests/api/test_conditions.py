from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from fastapi.testclient import TestClient

pytestmark = pytest.mark.stack


def marks(told: dict[str, object], layer: int) -> list[dict[str, float]]:
    layers, datasets = told["layer"], told["datasets"]
    assert isinstance(layers, list)
    assert isinstance(datasets, dict)
    found: list[dict[str, float]] = datasets[layers[layer]["data"]["name"]]
    return found


@pytest.mark.parametrize("what", ["temperature", "rest"])
def test_every_start_stands_in_the_chart_of_each_condition_and_the_picture_is_svg(here: TestClient, what: str) -> None:
    told = here.get(f"/units/u-0001/by-{what}.json").json()
    starts = here.get("/v1/units/u-0001/starts", params={"limit": 500}).json()["items"]
    assert len(marks(told, 0)) == sum(s["outcome"] == "ran" for s in starts)
    assert len(marks(told, 2)) == 13
    column, scale = ("outdoor_c", 1.0) if what == "temperature" else ("off_s", 60.0)
    assert sorted(p["x"] for p in marks(told, 0)) == pytest.approx(
        sorted(s[column] / scale for s in starts if s["outcome"] == "ran"), abs=0.01
    )
    picture = here.get(f"/units/u-0001/by-{what}.svg?width=360")
    assert ET.fromstring(picture.text).tag.endswith("svg")  # noqa: S314  # our own picture
    assert "default-src 'none'" in picture.headers["content-security-policy"]


def test_what_is_no_condition_has_no_chart(here: TestClient) -> None:
    assert here.get("/units/u-0001/by-colour.svg").status_code == 422
    assert here.get("/units/no-such/by-rest.svg").status_code == 404
