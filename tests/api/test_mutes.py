from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

pytestmark = pytest.mark.stack
PATH = "/v1/units/u-0003/notices"


def test_a_unit_is_muted_at_the_standing_that_it_has_and_told_of_again(writable: TestClient) -> None:
    standing = writable.get("/v1/units/u-0003").json()["verdict"]["standing"]
    assert writable.get(PATH).json() == {"muted": False, "standing": None, "muted_at": None}
    told = writable.patch(PATH, json={"muted": True}).json()
    assert (told["muted"], told["standing"]) == (True, standing)
    assert writable.get("/v1/units/u-0003").json()["muted"] == {"standing": standing, "muted_at": told["muted_at"]}
    assert writable.get("/v1/units/u-0001").json()["muted"] is None
    assert writable.patch(PATH, json={"muted": False}).json()["muted"] is False
    assert writable.get("/v1/units/u-0003").json()["muted"] is None
    assert writable.patch("/v1/units/nobody/notices", json={"muted": True}).status_code == 404


def test_the_button_of_the_page_mutes_and_unmutes(writable: TestClient) -> None:
    assert "Mute until" in writable.get("/units/u-0003").text
    answer = writable.post("/units/u-0003/notices", data={"do": "mute"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/units/u-0003")
    assert "Muted since" in writable.get("/units/u-0003").text
    writable.post("/units/u-0003/notices", data={"do": "unmute"})
    assert "Muted since" not in writable.get("/units/u-0003").text
