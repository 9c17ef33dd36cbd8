"""Whatever is wrong with a form is said on its page in one plain line: which field, and what belongs there."""

from __future__ import annotations

import re
from html import unescape

import pytest
from fastapi.testclient import TestClient

pytestmark = pytest.mark.stack
COSTS = {"emergency_visit_cost": "2", "kit_cost": "1", "cold_house_cost": "4", "false_alarms": "10"}
LONG = "x" * 5_000


@pytest.mark.parametrize(
    ("path", "form", "told"),
    [
        ("/people", {"name": "", "role": "technician"}, "name: is needed"),
        ("/people", {"name": LONG, "role": "technician"}, "name: write at most 200 characters"),
        ("/people", {"name": "A", "role": "king"}, "role: must be one of manager, dispatcher or technician"),
        (
            "/people",
            {"name": "A", "role": "manager", "mail": "no mail"},
            "mail: write an address such as kim@example.org",
        ),
        (
            "/people",
            {"name": "a\0", "role": "manager"},
            "name: holds a character that cannot be kept; leave it out",
        ),
        ("/quarantine", {"item": "x"}, "item: not a whole number"),
        ("/quarantine", {"item": "0"}, "item: must be at least 1"),
        ("/units/u-0001/visits", {"at": "2026-01-20T10:00"}, "work: is needed"),
        ("/units/u-0001/visits", {"at": "soon", "work": "other"}, "at: not a date and time"),
        (
            "/units/u-0001/visits",
            {"at": "2026-01-20T10:00", "work": "other", "reading_suction_kpa": "much"},
            "Suction pressure, gauge: not a number, 'much'",
        ),
        (
            "/units/u-0001/visits",
            {"at": "2026-01-20T10:00", "work": "other", "note": LONG},
            "note: write at most 4000 characters",
        ),
        ("/units/u-0001/call", {"do": "plan", "day": ""}, "day: pick a day"),
        ("/settings", {"units": "si", "planned_visit_cost": "much", **COSTS}, "planned_visit_cost: not a number"),
        (
            "/settings",
            {"units": "si", "planned_visit_cost": "0", **COSTS},
            "planned_visit_cost: must be at least 0.01",
        ),
        (
            "/settings",
            {"units": "si", "planned_visit_cost": "1", **COSTS, "quiet_from": "late", "quiet_to": "7"},
            "quiet_from: write a time such as 21:00",
        ),
        ("/devices", {"do": "add", "device": LONG, "unit": "u-0001"}, "device: write at most 64 characters"),
    ],
)
def test_a_form_that_is_filled_in_wrongly_gets_one_line_with_the_field_and_the_remedy(
    here: TestClient, path: str, form: dict[str, str], told: str
) -> None:
    answer = here.post(path, data=form, headers={"Accept": "text/html"}, follow_redirects=False)
    assert answer.status_code == 422
    (line,) = re.findall(r'<p class="lead">(.*?)</p>', answer.text, re.DOTALL)
    assert unescape(line) == told


def test_a_program_is_told_the_same_and_where_in_the_request_it_stands(here: TestClient) -> None:
    told = here.post("/v1/people", json={"name": "A", "role": "king", "age": 7}).json()
    assert told["detail"] == "body.role: must be one of manager, dispatcher or technician"
    assert told["errors"] == [
        {"field": "body.role", "text": "must be one of manager, dispatcher or technician"},
        {"field": "body.age", "text": "not known here; leave it out"},
    ]
    assert here.get("/v1/calls?limit=x").json()["detail"] == "query.limit: not a whole number"
