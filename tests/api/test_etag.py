from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient

pytestmark = [pytest.mark.stack, pytest.mark.published]

# RFC 9110, section 13.1.2: a GET with an If-None-Match that holds the current tag is answered 304, without content;
# section 15.4.5: with the ETag, Cache-Control and Vary that a 200 would have had.


@pytest.mark.parametrize("path", ["/v1/calls", "/v1/units/u-0001", "/v1/people", "/", "/calls.csv", "/units/u-0001"])
def test_what_has_not_changed_is_not_sent_again(here: TestClient, path: str) -> None:
    first = here.get(path)
    tag = first.headers["etag"]
    assert tag.startswith('W/"')
    again = here.get(path, headers={"If-None-Match": f'"other", {tag}'})
    assert again.status_code == 304
    assert again.content == b""
    assert again.headers["etag"] == tag
    assert again.headers["cache-control"] == first.headers["cache-control"]
    assert "content-type" not in again.headers
    assert here.get(path, headers={"If-None-Match": 'W/"other"'}).status_code == 200


def test_what_has_changed_is_sent_with_another_tag(writable: TestClient) -> None:
    before = writable.get("/v1/calls").headers["etag"]
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update site set area = 'North bank'")
    after = writable.get("/v1/calls", headers={"If-None-Match": before})
    assert after.status_code == 200
    assert after.headers["etag"] != before


def test_errors_and_what_is_written_carry_no_tag(writable: TestClient) -> None:
    assert "etag" not in writable.get("/v1/units/none").headers
    assert "etag" not in writable.patch("/v1/units/u-0001/call", json={}).headers
