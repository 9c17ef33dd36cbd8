from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

from analytics.chosen import SETTABLE, options_of
from analytics.options import DEFAULT
from api.preferences import NewPreferences

pytestmark = pytest.mark.stack
FORM = {
    "units": "us",
    "planned_visit_cost": "180",
    "emergency_visit_cost": "420",
    "kit_cost": "90",
    "cold_house_cost": "600",
    "false_alarms": "5",
}


def stored(client: TestClient) -> dict[str, object]:
    with psycopg.connect(client.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        found = conn.execute("select settings from account").fetchone()
    assert found is not None
    settings: dict[str, object] = found[0]
    return settings


def test_an_account_that_has_set_nothing_goes_by_the_defaults_of_the_verdicts(writable: TestClient) -> None:
    told = writable.get("/v1/settings").json()
    quiet = {"quiet_from": None, "quiet_to": None, "zone": None}
    assert told == {"units": "si", **{one.name: getattr(DEFAULT, one.name) for one in SETTABLE}, **quiet}
    assert stored(writable) == {}


def test_the_form_stores_what_the_verdicts_go_by_and_what_the_pages_show(writable: TestClient) -> None:
    assert writable.post("/settings", data=FORM, follow_redirects=False).status_code == 303
    options = options_of(stored(writable))
    assert options.planned_visit_cost == 180
    assert options.emergency_visit_cost == 420
    assert options.kit_cost == 90
    assert options.cold_house_cost == 600
    # Five alarms a year from a hundred units.
    assert options.false_alarms_per_unit_year == pytest.approx(0.05)
    assert options.drift_nats > DEFAULT.drift_nats
    assert "°F" in writable.get("/").text
    page = writable.get("/settings").text
    assert 'value="420"' in page
    assert 'value="us" checked' in page


def test_a_change_of_one_setting_leaves_the_others(writable: TestClient) -> None:
    writable.post("/settings", data=FORM)
    told = writable.patch("/v1/settings", json={"units": "si"}).json()
    assert told["planned_visit_cost"] == 180
    assert told["units"] == "si"
    assert writable.get("/v1/settings").json() == told


@pytest.mark.parametrize(
    ("asked", "status", "named"),
    [
        ({"emergency_visit_cost": 0.5}, 409, "emergency_visit_cost"),
        ({"planned_visit_cost": 0}, 422, "planned_visit_cost"),
        ({"false_alarms_per_unit_year": 11}, 422, "false_alarms_per_unit_year"),
        ({"units": "other"}, 422, "units"),
        ({"min_days": 1}, 422, "min_days"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_by_name(
    writable: TestClient, asked: dict[str, object], status: int, named: str
) -> None:
    answer = writable.patch("/v1/settings", json=asked)
    assert answer.status_code == status
    assert named in answer.json()["detail"]
    assert stored(writable) == {}


def test_a_form_with_words_for_a_number_says_which(writable: TestClient) -> None:
    assert "false_alarms" in writable.post("/settings", data=FORM | {"false_alarms": "few"}).json()["detail"]
    assert "cold_house_cost" in writable.post("/settings", data=FORM | {"cold_house_cost": "x"}).json()["detail"]
    assert stored(writable) == {}


def test_the_limits_of_the_form_are_those_of_the_verdicts() -> None:
    shape = NewPreferences.model_json_schema()["properties"]
    for one in SETTABLE:
        assert (shape[one.name]["minimum"], shape[one.name]["maximum"]) == (one.low, one.high)
        assert shape[one.name]["default"] == getattr(DEFAULT, one.name)


def test_quiet_hours_are_kept_by_the_clock_of_a_zone_and_need_both_ends(writable: TestClient) -> None:
    asked = {**FORM, "quiet_from": "21:00", "quiet_to": "06:30", "zone": "America/Denver"}
    assert writable.post("/settings", data=asked, follow_redirects=False).status_code == 303
    told = writable.get("/v1/settings").json()
    assert (told["quiet_from"], told["quiet_to"], told["zone"]) == ("21:00", "06:30", "America/Denver")
    assert 'value="06:30"' in writable.get("/settings").text
    for wrong, named in (
        ({"quiet_from": None}, "body.quiet_from, quiet_to"),
        ({"zone": "America/Nowhere"}, "body.zone"),
        ({"zone": "../etc/passwd"}, "body.zone"),
    ):
        answer = writable.patch("/v1/settings", json=wrong)
        assert (answer.status_code, answer.json()["detail"].split(":")[0]) == (409, named)
    assert writable.patch("/v1/settings", json={"quiet_from": "9 pm"}).status_code == 422
    assert writable.patch("/v1/settings", json={"quiet_from": None, "quiet_to": None}).json()["quiet_to"] is None
