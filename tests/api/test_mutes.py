from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.test_noticewishes import kim

__all__ = ["kim"]

pytestmark = pytest.mark.stack
PATH = "/v1/units/001-u003/notices"


def test_a_unit_is_muted_at_the_standing_that_it_has_and_told_of_again(kim: TestClient) -> None:
    standing = kim.get("/v1/units/001-u003").json()["verdict"]["standing"]
    assert kim.get(PATH).json() == {"muted": False, "standing": None, "muted_at": None}
    told = kim.patch(PATH, json={"muted": True}).json()
    assert (told["muted"], told["standing"]) == (True, standing)
    assert kim.get("/v1/units/001-u003").json()["muted"] == {"standing": standing, "muted_at": told["muted_at"]}
    assert kim.get("/v1/units/001-u001").json()["muted"] is None
    assert kim.patch(PATH, json={"muted": False}).json()["muted"] is False
    assert kim.get("/v1/units/001-u003").json()["muted"] is None
    assert kim.patch("/v1/units/nobody/notices", json={"muted": True}).status_code == 404


def test_the_button_of_the_page_mutes_and_unmutes(kim: TestClient) -> None:
    assert "Mute until" in kim.get("/units/001-u003").text
    answer = kim.post("/units/001-u003/notices", data={"do": "mute"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/units/001-u003")
    assert "Muted since" in kim.get("/units/001-u003").text
    kim.post("/units/001-u003/notices", data={"do": "unmute"})
    assert "Muted since" not in kim.get("/units/001-u003").text
