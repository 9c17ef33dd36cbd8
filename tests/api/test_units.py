from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

from api.units import top_cause

pytestmark = pytest.mark.stack


def test_a_unit_comes_with_its_verdict_its_evidence_and_what_to_do(here: TestClient) -> None:
    unit = here.get("/v1/units/u-0001").json()
    assert unit["run_cap_uf"] == 40
    assert unit["verdict"]["standing"] == unit["standing"] == "down"
    assert unit["measure"][0]["measure"].startswith("The control's own message")
    assert unit["cautions"]
    assert unit["installed"] == "2021-05-17"
    assert not any(key.endswith("_id") for key in unit)


def test_a_unit_that_nobody_has_judged_yet_is_there_without_a_verdict(writable: TestClient) -> None:
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("insert into unit (account_id, unit) select account_id, 'a/b c?' from account")
    for address in ("/v1/units/a/b%20c%3F", "/v1/units/a%2Fb%20c%3F", "/units/a/b%20c%3F.json"):
        assert writable.get(address).json()["unit"] == "a/b c?"
    assert writable.get("/v1/units/a/b%20c%3F/starts").json() == {"items": [], "next": None}
    page = writable.get("/units/a%2Fb%20c%3F")
    assert page.status_code == 200
    assert "/units/a/b%20c%3F.json" in page.text
    listed = writable.get("/v1/units").json()["items"]
    assert [u["standing"] for u in listed if u["unit"] == "a/b c?"] == [None]


def test_starts_are_cut_by_time_and_outcome(here: TestClient) -> None:
    items = here.get("/v1/units/u-0001/starts", params={"outcome": "locked", "limit": 500}).json()["items"]
    assert len(items) == 13
    assert {i["outcome"] for i in items} == {"locked"}
    cut = here.get(
        "/v1/units/u-0001/starts", params={"since": "2026-01-20T00:00:00-07:00", "until": "2026-01-21T07:00:00Z"}
    ).json()["items"]
    assert cut
    assert all("2026-01-20T07" <= i["at"] < "2026-01-21T07" for i in cut)
    assert cut[0]["at"] > cut[-1]["at"]


def test_a_time_without_an_offset_is_refused_by_name(here: TestClient) -> None:
    answer = here.get("/v1/units/u-0001/starts", params={"since": "2026-01-20T00:00:00"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "query.since"


def test_verdicts_are_the_stored_objects_newest_first(here: TestClient) -> None:
    items = here.get("/v1/units/u-0003/verdicts").json()["items"]
    assert [i["as_of"] for i in items] == sorted((i["as_of"] for i in items), reverse=True)
    assert len(items) == 6
    keys = "unit as_of standing run_up locked causes lockout_7d lockout_14d repair reasons say"
    assert set(items[0]) == set(keys.split())


def test_the_most_likely_cause_is_none_where_none_stands_out() -> None:
    assert top_cause(None) == (None, None)
    assert top_cause({"causes": {"none": 0.6, "mechanical": 0.4}}) == (None, None)
    assert top_cause({"causes": {"none": None, "mechanical": None}}) == (None, None)
    assert top_cause({"causes": {"none": 0.3, "mechanical": 0.7}}) == ("mechanical", 0.7)
