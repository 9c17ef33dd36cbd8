from __future__ import annotations

import gzip
from xml.etree import ElementTree as ET

import psycopg
import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from api.chart import bundle, specification, thin
from tests.api import made


@given(st.integers(0, 5000), st.integers(1, 700))
def test_thinning_keeps_order_and_never_more_than_asked_for(count: int, most: int) -> None:
    found = [{"n": n} for n in range(count)]
    kept = [r["n"] for r in thin(found, most)]
    assert len(kept) <= most
    assert kept == sorted(kept)
    assert not count or kept[0] == 0


@pytest.mark.stack
def test_the_picture_is_svg_that_may_load_and_run_nothing(here: TestClient) -> None:
    answer = here.get("/units/u-0001/run-up.svg?width=360")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    root = ET.fromstring(answer.text)  # noqa: S314  # our own picture
    assert root.tag.endswith("svg")
    assert "<script" not in answer.text


@pytest.mark.stack
def test_the_specification_has_the_starts_the_band_and_the_locked_starts_on_the_sites_wall_clock(
    here: TestClient,
) -> None:
    told = here.get("/units/u-0001/run-up.json").json()
    values = [told["datasets"][layer["data"]["name"]] for layer in told["layer"]]
    starts = here.get("/v1/units/u-0001/starts", params={"limit": 500}).json()["items"]
    assert len(values[1]) == sum(s["outcome"] == "ran" for s in starts)
    assert len(values[3]) == 13
    assert all(row["low"] < row["high"] for row in values[0])
    assert values[4] == [{"t": "2026-01-06T05:00:00Z", "work": "run capacitor replaced", "late": False}]
    assert "run capacitor replaced" in here.get("/units/u-0001/run-up.svg?width=760").text
    assert values[-1] == [
        {"t": "2026-01-14T17:00:00Z", "what": "slower since 15 Jan", "of": "run_up", "late": False},
        {"t": "2026-01-14T17:00:00Z", "what": "locks more since 15 Jan", "of": "locked", "late": False},
    ]
    assert "slower since 15 Jan" in here.get("/units/u-0001/run-up.svg?width=760").text
    # Noon in Greenwich is five in the morning in Denver in January.
    newest = max(row["t"] for row in values[3])
    assert newest == "2026-01-24T04:00:00Z"


@pytest.mark.stack
def test_no_line_crosses_days_without_a_figure(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute(
            "insert into verdict (unit_id, account_id, as_of, standing, rank, body)"
            " select unit_id, account_id, as_of - make_interval(days => n), standing, rank, body"
            " from verdict cross join unnest(array[6, 7]) n where unit_id = 1 and as_of = %s",
            (made.NOW,),
        )
    told = writable.get("/units/u-0001/run-up.json").json()
    band = told["datasets"][told["layer"][0]["data"]["name"]]
    # Two days, four days of which nothing is known, two days.
    assert [row["now"] is None for row in band] == [False, False, True, False, False]


@pytest.mark.stack
def test_a_unit_without_a_single_start_still_has_a_picture(here: TestClient) -> None:
    empty = specification({"ran": [], "locked": [], "band": [], "onset": [], "visits": []}, 300)
    assert empty["layer"]
    assert here.get("/units/no-such/run-up.svg").status_code == 404


@pytest.mark.stack
def test_the_drawing_script_comes_from_our_own_origin_and_asks_for_nothing_else(here: TestClient) -> None:
    answer = here.get("/charts.js")
    assert answer.status_code == 200
    assert "window.drawChart" in answer.text
    assert gzip.decompress(bundle()).decode() == answer.text
    plain = here.get("/charts.js", headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert len(bundle()) < 400_000
