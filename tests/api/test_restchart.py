from __future__ import annotations

from xml.etree import ElementTree as ET

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

pytestmark = pytest.mark.stack


def lines(client: TestClient) -> dict[float, list[dict[str, float]]]:
    told = client.get("/units/u-0003/rests.json").json()
    found: dict[float, list[dict[str, float]]] = {}
    for point in told["datasets"][told["data"]["name"]]:
        found.setdefault(point["n"], []).append(point)
    return found


def test_each_rest_is_a_line_of_how_far_the_pressures_are_apart_and_ends_with_what_is_shown(here: TestClient) -> None:
    shown = lines(here)
    assert len(shown) == 4
    assert sum(points[0]["recent"] for points in shown.values()) == 2
    for points in shown.values():
        # 700 + 900 less 700 - 200 at the stop; twenty minutes are not shown.
        assert (points[0]["t"], points[0]["p"]) == (0, 1100)
        assert points[-1]["t"] == 10
        assert [p["p"] for p in points] == sorted((p["p"] for p in points), reverse=True)
    assert ET.fromstring(here.get("/units/u-0003/rests.svg?width=360").text).tag.endswith("svg")  # noqa: S314  # our own


def test_only_a_unit_whose_logger_measures_pressures_has_the_chart(here: TestClient) -> None:
    assert "Pressures after a stop" in here.get("/units/u-0003").text
    assert "Pressures after a stop" not in here.get("/units/u-0001").text
    assert here.get("/units/u-0001/rests.svg").status_code == 200


@pytest.mark.published
def test_pressures_are_in_psi_where_the_account_wants_them(writable: TestClient) -> None:
    # NIST SP 811, Appendix B.8: 1 psi = 6.894 757 kPa, so 1100 kPa = 159.5 psi.
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update account set settings = %s", (Jsonb({"units": "us"}),))
    assert {points[0]["p"] for points in lines(writable).values()} == {159.5}
    told = writable.get("/units/u-0003/rests.json").json()
    assert told["layer"][0]["encoding"]["y"]["title"].endswith("psi")
