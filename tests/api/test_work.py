from __future__ import annotations

from datetime import timedelta
from typing import Any

import psycopg
import pytest
from fastapi.testclient import TestClient

from tests.api.made import NOW

pytestmark = pytest.mark.stack
SOON = (NOW + timedelta(days=3)).isoformat()


def units(client: TestClient, **query: object) -> list[str]:
    return [item["unit"] for item in client.get("/v1/calls", params=query).json()["items"]]


def change(client: TestClient, unit: str, **asked: object) -> Any:
    answer = client.patch(f"/v1/units/{unit}/call", json=asked)
    assert answer.status_code == 200, answer.text
    return answer.json()


def now_stands(client: TestClient, unit: str, standing: str) -> None:
    with psycopg.connect(client.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute(
            "update standing set standing = %s where unit_id = (select unit_id from unit where unit = %s)",
            (standing, unit),
        )


def test_a_unit_put_off_leaves_the_list_until_its_time_and_is_counted_meanwhile(writable: TestClient) -> None:
    assert change(writable, "u-0002", snoozed_until=SOON)["snoozed_until"] == "2026-01-27T12:00:00Z"
    assert units(writable) == ["u-0001", "u-0003"]
    assert units(writable, snoozed="only") == ["u-0002"]
    assert set(units(writable, snoozed="also")) == {"u-0001", "u-0002", "u-0003"}
    assert writable.get("/v1/calls").json()["snoozed"] == 1
    assert sum(writable.get("/v1/calls").json()["standings"].values()) == 3
    assert change(writable, "u-0002", snoozed_until=None)["snoozed_until"] is None
    assert len(units(writable)) == 3


def test_what_was_put_off_or_seen_comes_back_when_it_gets_worse_and_not_when_it_gets_better(
    writable: TestClient,
) -> None:
    change(writable, "u-0002", snoozed_until=SOON, acknowledged=True)
    now_stands(writable, "u-0002", "watch")
    assert units(writable) == ["u-0001", "u-0003"]
    now_stands(writable, "u-0002", "down")
    assert "u-0002" in units(writable)
    item = next(i for i in writable.get("/v1/calls").json()["items"] if i["unit"] == "u-0002")
    assert item["acknowledged_at"] is None
    assert item["snoozed_until"] is None
    assert writable.get("/v1/calls").json()["snoozed"] == 0
    assert writable.get("/v1/units/u-0002").json()["snoozed_until"] is None


def test_a_visit_is_planned_for_a_person_and_counted_and_replaced_by_the_next_plan(writable: TestClient) -> None:
    added = writable.post("/v1/people", json={"name": "Kim Example", "role": "technician"})
    assert added.status_code == 201
    plan = change(writable, "u-0001", plan={"person": "Kim Example", "day": "2026-01-26", "note": "after ten"})["plan"]
    assert (plan["person"], plan["day"], plan["note"]) == ("Kim Example", "2026-01-26", "after ten")
    assert units(writable, person="Kim Example") == ["u-0001"]
    assert writable.get("/v1/calls").json()["people"] == {"Kim Example": 1}
    assert writable.get("/v1/people").json()["items"][0]["planned"] == 1
    assert change(writable, "u-0001", plan={"day": "2026-01-27"})["plan"]["person"] is None
    assert units(writable, person="Kim Example") == []
    assert change(writable, "u-0001", plan=None)["plan"] is None


def test_a_member_that_is_left_out_stays_as_it_was(writable: TestClient) -> None:
    change(writable, "u-0001", acknowledged=True, plan={"day": "2026-01-26"})
    kept = change(writable, "u-0001", snoozed_until=SOON)
    assert kept["acknowledged_at"] == "2026-01-24T12:00:00Z"
    assert kept["plan"]["day"] == "2026-01-26"
    assert change(writable, "u-0001") == kept


@pytest.mark.parametrize(
    ("asked", "status", "named"),
    [
        ({"snoozed_until": "2026-01-24T11:00:00Z"}, 409, "snoozed_until"),
        ({"snoozed_until": "2026-06-01T00:00:00Z"}, 409, "snoozed_until"),
        ({"snoozed_until": "2026-01-26T00:00:00"}, 422, "snoozed_until"),
        ({"plan": {"day": "2026-01-20"}}, 409, "plan.day"),
        ({"plan": {"day": "2026-01-26", "person": "Nobody"}}, 409, "plan.person"),
        ({"plan": {"person": "Nobody"}}, 422, "day"),
        ({"asleep": True}, 422, "asleep"),
    ],
)
def test_what_cannot_be_is_refused_with_its_field_and_changes_nothing(
    writable: TestClient, asked: dict[str, object], status: int, named: str
) -> None:
    answer = writable.patch("/v1/units/u-0001/call", json=asked)
    assert answer.status_code == status
    assert named in answer.json()["detail"]
    assert change(writable, "u-0001") == {"acknowledged_at": None, "snoozed_until": None, "plan": None}


def test_two_people_of_one_name_are_not_taken(writable: TestClient) -> None:
    assert writable.post("/v1/people", json={"name": "Kim Example", "role": "technician"}).status_code == 201
    again = writable.post("/v1/people", json={"name": " Kim Example ", "role": "manager"})
    assert again.status_code == 409
    assert "add initials" in again.json()["detail"]
