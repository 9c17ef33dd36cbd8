"""Start assist as JSON, as a page and as a picture, over the database of made units."""

from __future__ import annotations

import math
from datetime import timedelta
from xml.etree import ElementTree as ET

import pytest
from fastapi.testclient import TestClient

from api.assist import pressure_difference
from api.cautions import FIRST
from ingest.database import connect, ensure_partitions
from tests.api import made

pytestmark = pytest.mark.stack


def test_the_answer_compares_the_unit_as_it_is_with_three_sizes_and_one_too_large(here: TestClient) -> None:
    told = here.get("/v1/units/u-0001/assist").json()
    assert [case["name"] for case in told["cases"]] == ["as_is", "least", "common", "most", "too_large"]
    assert told["cases"][0]["start_cap_uf"] == 0
    assert told["ratings"]["low_uf"] < told["ratings"]["high_uf"]
    torque = [case["torque_nm"]["value"] for case in told["cases"]]
    assert torque[0] < torque[1] < torque[2] < torque[3] > torque[4]
    assert told["cautions"][0] == FIRST
    assert any("listed start kit decides" in line for line in told["always"])
    assert told == here.get("/units/u-0001/assist.json").json()


def test_the_conditions_are_those_of_the_units_own_starts(here: TestClient) -> None:
    told = here.get("/v1/units/u-0001/assist").json()["conditions"]
    starts = here.get("/v1/units/u-0001/starts", params={"limit": 500}).json()["items"]
    first = [s for s in starts if not s["retry"]]
    assert told["starts"] == len(first)
    assert told["line_v"]["how"] == "measured"
    assert told["line_v"]["values"] == len(first)
    assert min(s["line_v"] for s in first) <= told["line_v"]["worst"] <= told["line_v"]["usual"]
    assert told["remaining_kpa"]["how"] == "assumed"


def test_a_cause_to_which_it_is_the_wrong_answer_comes_first(here: TestClient) -> None:
    found = {}
    for call in here.get("/v1/calls", params={"limit": 100}).json()["items"]:
        if call["cause"] is not None and call["cause_probability"] >= 0.5:
            found[call["cause"]] = here.get(f"/v1/units/{call['unit']}/assist").json()
    assert len(found) >= 3
    for cause, told in found.items():
        assert told["causes"][0]["cause"] == cause
        assert told["causes"][0]["wrong"] == (cause != "unequalised_pressures")
        assert (told["finding"] == "not_first") == (cause != "unequalised_pressures")


def test_the_page_shows_cautions_the_picture_and_leads_back_to_the_unit(here: TestClient) -> None:
    page = here.get("/units/u-0001/assist").text
    assert "Prove dead" in page
    assert 'src="/units/u-0001/assist.svg?width=760"' in page
    assert 'href="/units/u-0001"' in page
    assert "listed start kit decides" in page
    assert 'href="/units/u-0001/assist"' in here.get("/units/u-0001").text


def test_the_picture_is_svg_that_may_load_and_run_nothing(here: TestClient) -> None:
    answer = here.get("/units/u-0001/assist.svg?width=360")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert ET.fromstring(answer.text).tag.endswith("svg")  # noqa: S314  # our own picture
    assert "<script" not in answer.text
    assert "µF" in answer.text


def test_nobody_elses_unit_and_no_unknown_one_is_sized(here: TestClient) -> None:
    assert here.get("/v1/units/no-such/assist").status_code == 404
    assert here.get("/units/u-only-there/assist").status_code == 404


def test_a_kit_in_the_log_of_visits_counts_as_fitted_and_starts_before_it_do_not(
    writable: TestClient, small: str
) -> None:
    before = writable.get("/v1/units/u-0001/assist").json()
    assert before["finding"] != "fitted"
    at = (made.NOW - timedelta(hours=20)).isoformat()
    answer = writable.post("/v1/units/u-0001/visits", json={"at": at, "work": ["start_kit_fitted"]})
    assert answer.status_code == 201
    after = writable.get("/v1/units/u-0001/assist").json()
    assert after["cases"][0]["start_cap_uf"] > 100
    assert after["conditions"]["run_up"]["starts"] < before["conditions"]["starts"]
    with connect(small) as conn:
        conn.execute("update unit set volts = 460 where unit = 'u-0001'")
    refused = writable.get("/v1/units/u-0001/assist")
    assert refused.status_code == 422
    assert "volts: 460" in refused.json()["detail"]


def test_rests_with_pressures_are_used_where_starts_have_none(writable: TestClient, small: str) -> None:
    liquid_kpa = [500.0 + 1500.0 * math.exp(-t_s / 90.0) for t_s in (0, 30, 60, 120, 180)]
    with connect(small) as conn:
        found = conn.execute("select unit_id, account_id from unit where unit = 'u-0002'").fetchone()
        assert found is not None
        unit_id, account_id = found
        ensure_partitions(conn, "rest", (made.NOW - timedelta(days=2)).date(), made.NOW.date())
        for n in range(24):
            conn.execute(
                "insert into rest (account_id, unit_id, at, seq, t_s, suction_kpa, liquid_kpa)"
                " values (%s, %s, %s, %s, '{0,30,60,120,180}', '{500,500,500,500,500}', %s)",
                (account_id, unit_id, made.NOW - timedelta(hours=n + 1), n, liquid_kpa),
            )
    told = writable.get("/v1/units/u-0002/assist").json()["conditions"]["remaining_kpa"]
    assert told["how"] == "from rests"
    assert told["values"] == 24


def test_differences_of_pressure_follow_the_accounts_setting() -> None:
    assert pressure_difference(100.0, customary=False) == "100 kPa"
    # published: 1 psi is 6.894 757 kPa (NIST SP 811, Appendix B.8)
    assert pressure_difference(100.0, customary=True) == "15 psi"
    assert pressure_difference(None, customary=True) == "–"
