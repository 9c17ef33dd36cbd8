from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

pytestmark = pytest.mark.stack
VISIT = {"at": "2026-01-23T15:30:00-07:00", "work": ["run_capacitor", "other"], "readings": {"run_cap_uf": 27.5}}


def test_a_visit_is_stored_once_and_has_the_unit_judged_again(writable: TestClient) -> None:
    first = writable.post("/v1/units/u-0001/visits", json=VISIT)
    assert first.status_code == 201
    assert first.json()["at"] == "2026-01-23T22:30:00Z"
    again = writable.post("/v1/units/u-0001/visits", json={**VISIT, "work": ["other", "run_capacitor"]})
    assert again.status_code == 201
    assert again.json() == first.json()
    items = writable.get("/v1/units/u-0001/visits").json()["items"]
    assert [i["at"] for i in items] == ["2026-01-23T22:30:00Z", "2026-01-06T12:00:00Z"]
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        days = conn.execute("select day::text from dirty_day").fetchall()
    assert days == [("2026-01-23",)]


def test_the_form_of_the_unit_page_takes_the_time_on_the_sites_wall_clock(writable: TestClient) -> None:
    form = {"at": "2026-01-23T15:30", "work": ["start_kit_fitted"], "parts": "kit\n\n relay ", "note": " fits well "}
    answer = writable.post("/units/u-0002/visits", data=form, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/units/u-0002#visits"
    stored = writable.get("/v1/units/u-0002/visits").json()["items"][0]
    assert stored["at"] == "2026-01-23T22:30:00Z"
    assert stored["parts"] == ["kit", "relay"]
    assert stored["note"] == "fits well"
    assert "start kit fitted" in writable.get("/units/u-0002").text


def test_the_forms_readings_are_stored_under_their_names_and_psig_as_kpa(writable: TestClient) -> None:
    # published: NIST SP 811, Appendix B.8, 1 psi = 6.894 757 kPa; 100 psi = 689.48 kPa.
    form = {
        "at": "2026-01-23T15:30",
        "work": ["other"],
        "reading_run_cap_uf": "27,5",
        "reading_suction_psig": "100",
        "reading_line_v": "",
        "part": ["gauges"],
        "parts": "fuse",
    }
    assert writable.post("/units/u-0002/visits", data=form, follow_redirects=False).status_code == 303
    stored = writable.get("/v1/units/u-0002/visits").json()["items"][0]
    assert stored["readings"] == {"run_cap_uf": 27.5, "suction_kpa": 689.48}
    assert stored["parts"] == ["gauges", "fuse"]
    assert "run cap 27.5 µF, suction 689 kPa" in writable.get("/units/u-0002").text
    bad = writable.post("/units/u-0002/visits", data=form | {"reading_run_a": "much"})
    assert bad.status_code == 422
    assert "Running current" in bad.json()["detail"]


def test_what_is_sent_again_with_the_same_key_is_stored_once_even_if_its_time_was_mended(writable: TestClient) -> None:
    first = writable.post("/v1/units/u-0001/visits", json={**VISIT, "key": "key-of-this-visit"})
    again = writable.post(
        "/v1/units/u-0001/visits", json={**VISIT, "at": "2026-01-23T16:00:00-07:00", "key": "key-of-this-visit"}
    )
    assert first.status_code == again.status_code == 201
    assert again.json() == first.json()
    assert len(writable.get("/v1/units/u-0001/visits").json()["items"]) == 2
    other = writable.post("/v1/units/u-0002/visits", json={**VISIT, "key": "key-of-this-visit"})
    assert other.status_code == 409
    assert "body.key" in other.json()["detail"]
    assert writable.get("/v1/units/u-0002/visits").json()["items"] == []


def test_a_visit_tells_by_whom_and_ends_the_plan_that_was_made_before_it(writable: TestClient) -> None:
    assert writable.post("/v1/people", json={"name": "Kim Example", "role": "technician"}).status_code == 201
    plan = {"plan": {"person": "Kim Example", "day": "2026-01-24"}}
    assert writable.patch("/v1/units/u-0001/call", json=plan).status_code == 200
    old = {**VISIT, "at": "2025-11-02T10:00:00Z"}
    assert writable.post("/v1/units/u-0001/visits", json=old).status_code == 201
    assert writable.get("/v1/units/u-0001").json()["plan"] is not None
    told = writable.post("/v1/units/u-0001/visits", json={**VISIT, "by": "Kim Example"})
    assert told.json()["by"] == "Kim Example"
    assert writable.get("/v1/units/u-0001").json()["plan"] is None
    stranger = writable.post("/v1/units/u-0001/visits", json={**VISIT, "by": "Nobody"})
    assert stranger.status_code == 409
    assert "body.by" in stranger.json()["detail"]


@pytest.mark.parametrize("at", ["1999-12-31T00:00:00Z", "2099-01-01T00:00:00Z"])
def test_a_visit_before_2000_or_still_to_come_is_refused(writable: TestClient, at: str) -> None:
    answer = writable.post("/v1/units/u-0001/visits", json={**VISIT, "at": at})
    assert answer.status_code == 409
    assert "between 2000 and now" in answer.json()["detail"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"at": "2026-01-23T15:30:00"}, "at"),
        ({"work": []}, "work"),
        ({"work": ["magic"]}, "work"),
        ({"extra": 1}, "extra"),
        ({"note": "a\x00b"}, "note"),
        ({"readings": {"run_cap_uf": [1]}}, "readings"),
    ],
)
def test_a_visit_that_cannot_be_is_refused_with_its_field(
    writable: TestClient, change: dict[str, object], named: str
) -> None:
    answer = writable.post("/v1/units/u-0001/visits", json={**VISIT, **change})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert named in answer.json()["detail"]


def test_a_form_without_work_or_with_a_broken_time_says_which(writable: TestClient) -> None:
    answer = writable.post("/units/u-0001/visits", data={"at": "yesterday", "work": "other"})
    assert answer.status_code == 422
    assert "at" in answer.json()["detail"]
    page = writable.post("/units/u-0001/visits", data={"at": "2026-01-20T10:00"}, headers={"Accept": "text/html"})
    assert page.status_code == 422
    assert "work" in page.text
    assert page.text.startswith("<!doctype html>")


def test_nothing_but_a_visit_can_be_written(writable: TestClient) -> None:
    with pytest.raises(psycopg.errors.ReadOnlySqlTransaction), writable.app.state.pool.connection() as conn:  # type: ignore[attr-defined]
        conn.execute("delete from visit")
