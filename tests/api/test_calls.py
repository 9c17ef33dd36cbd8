from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api import made

pytestmark = pytest.mark.stack


def units(client: TestClient, **query: object) -> list[str]:
    answer = client.get("/v1/calls", params=query)
    assert answer.status_code == 200, answer.text
    return [item["unit"] for item in answer.json()["items"]]


def test_down_comes_first_and_the_rest_by_what_waiting_would_cost(here: TestClient) -> None:
    items = here.get("/v1/calls").json()["items"]
    assert items[0]["standing"] == "down"
    ranks = [item["rank"] for item in items]
    assert ranks == sorted(ranks, reverse=True)
    assert len(items) == 16


def test_a_call_carries_the_verdict_as_it_was_stored_and_what_to_do(here: TestClient) -> None:
    item = here.get("/v1/calls").json()["items"][0]
    stored = here.get("/v1/units/u-0001/verdicts").json()["items"][0]
    assert {k: item[k] for k in stored} == stored
    assert item["cause"] == "weak_run_capacitor"
    assert item["cause_probability"] == pytest.approx(0.83)
    assert item["bring"] == ["run capacitor 40 µF, voltage as marked"]
    assert len(item["locked_at"]) == 13
    assert item["forecast_low_c"] == pytest.approx(-21, abs=0.1)
    assert item["rule"].startswith("Starts in 0.62 s")


def test_filters_narrow_the_list_and_go_together(here: TestClient) -> None:
    assert units(here, standing="down") == ["u-0001"]
    assert set(units(here, standing=["service", "watch"])) == {"u-0002", "u-0004", "u-0008"}
    assert units(here, cause="cold_soak") == ["u-0004"]
    assert set(units(here, site="s-0001", standing="steady")) == {"u-0009", "u-0012", "u-0015"}
    assert set(units(here, model="model 2", standing=["down", "learning"])) == {"u-0001"}
    assert units(here, q="U-0003") == ["u-0003"]
    assert units(here, q="0_03") == []
    assert units(here, q="nothing like it") == []


def test_the_counts_are_of_the_whole_account_whatever_the_filter(here: TestClient) -> None:
    answer = here.get("/v1/calls", params={"standing": "down"}).json()
    assert answer["standings"] == {
        "down": 1,
        "service": 2,
        "start_assist": 1,
        "watch": 1,
        "silent": 1,
        "learning": 1,
        "steady": 9,
    }
    assert next(iter(answer["standings"])) == "down"
    assert sum(answer["causes"].values()) == 5


def test_the_list_can_be_ordered_by_drift_and_by_outlook(here: TestClient) -> None:
    assert units(here, sort="drift")[0] == "u-0008"
    assert units(here, sort="outlook")[0] == "u-0001"
    assert units(here, sort="outlook")[-1] in {"u-0005", "u-0006"}


def test_locked_starts_are_counted_to_the_accounts_own_now_and_a_fortnight_back(here: TestClient) -> None:
    answer = here.get("/v1/calls").json()
    assert answer["now"] == made.NOW.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert {len(i["locked_at"]) for i in answer["items"] if i["unit"] == "u-0008"} == {27}


@pytest.mark.parametrize(
    "query", ["standing=up", "sort=size", "limit=0", "limit=501", "cursor=!", "q=", "cause=none", "q=%00"]
)
def test_a_value_that_cannot_be_used_is_refused_by_name(here: TestClient, query: str) -> None:
    answer = here.get(f"/v1/calls?{query}")
    assert answer.status_code == 422
    assert query.split("=", maxsplit=1)[0] in answer.json()["detail"]


def test_how_many_of_the_flagged_may_be_sound_follows_from_the_budget_of_false_alarms(here: TestClient) -> None:
    answer = here.get("/v1/calls").json()
    # 0.10 alarms a unit-year over 40 days and the account's units.
    assert answer["may_be_sound"] == round(0.1 * sum(answer["standings"].values()) * 40 / 365.25, 1)
