from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.test_noticewishes import KIM, MAIL, kim

__all__ = ["kim"]

pytestmark = pytest.mark.stack
PAGE = "/people/Kim Example/notices"
FORM = {
    "quiet": "own",
    "standings": ["down", "service"],
    "quiet_from": "22:00",
    "quiet_to": "05:30",
    "digest_hour": "6",
}


def test_the_page_shows_what_holds_and_its_form_stores_what_is_chosen(kim: TestClient) -> None:
    page = kim.get(PAGE).text
    assert "Nowhere yet" in page
    assert 'value="account" checked' in page
    assert kim.post(PAGE, data={**FORM, "wake_for_down": "yes"}, follow_redirects=False).status_code == 303
    told = kim.get(KIM).json()
    assert (told["standings"], told["quiet_from"], told["quiet_to"]) == (["down", "service"], "22:00", "05:30")
    assert (told["wake_for_down"], told["digest_hour"]) == (True, 6)
    page = kim.get(PAGE).text
    assert 'value="own" checked' in page
    assert '<option value="6" selected>' in page


def test_no_quiet_hours_no_digest_and_nothing_at_once_can_be_chosen(kim: TestClient) -> None:
    kim.post(PAGE, data={"quiet": "none"})
    told = kim.get(KIM).json()
    assert (told["standings"], told["digest_hour"], told["wake_for_down"]) == ([], None, False)
    assert told["quiet_from"] == told["quiet_to"] == "00:00"
    assert 'value="none" checked' in kim.get(PAGE).text
    kim.post(PAGE, data={"quiet": "account"})
    assert kim.get(KIM).json()["quiet_from"] is None


def test_quiet_hours_with_one_end_are_refused_with_the_reason_on_a_page(kim: TestClient) -> None:
    answer = kim.post(PAGE, data={**FORM, "quiet_to": ""}, headers={"Accept": "text/html"})
    assert answer.status_code == 422
    assert "quiet_to" in answer.text


def test_targets_are_added_tried_and_removed_by_buttons(kim: TestClient) -> None:
    assert kim.post(f"{PAGE}/targets", data={"url": MAIL}, follow_redirects=False).status_code == 303
    number = kim.get(KIM).json()["targets"][0]["target"]
    assert "mailtos ….org" in kim.get(PAGE).text
    tried = kim.post(f"{PAGE}/targets/{number}", data={"do": "trial"}, follow_redirects=False)
    assert tried.headers["location"] == "/notices?person=Kim%20Example"
    assert "Halfsecond: a trial" in kim.get(tried.headers["location"]).text
    kim.post(f"{PAGE}/targets/{number}", data={"do": "remove"})
    assert kim.get(KIM).json()["targets"] == []
    refused = kim.post(f"{PAGE}/targets", data={"url": "nonsense"}, headers={"Accept": "text/html"})
    assert refused.status_code == 409
    assert "an address such as" in refused.text


def test_the_list_of_people_leads_to_where_each_is_told(kim: TestClient) -> None:
    kim.post(f"{PAGE}/targets", data={"url": MAIL})
    page = kim.get("/people").text
    assert 'href="/people/Kim%20Example/notices"' in page
    assert "1 target" in page
