from __future__ import annotations

import base64

import pytest
from fastapi.testclient import TestClient

from tests.api.conftest import HERE, OPERATOR, THERE, TOKENS, client

pytestmark = pytest.mark.stack


def basic(password: str) -> dict[str, str]:
    return {"Authorization": "Basic " + base64.b64encode(f"anybody:{password}".encode()).decode()}


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_without_a_token_only_a_loopback_name_is_answered(here: TestClient) -> None:
    assert here.get("/v1/calls").status_code == 200
    for host in ("127.0.0.1:8000", "[::1]:8000", "localhost"):
        assert here.get("/v1/calls", headers={"Host": host}).status_code == 200
    answer = here.get("/v1/calls", headers={"Host": "rebound.example"})
    assert answer.status_code == 403
    assert "set a token" in answer.json()["detail"]


def test_where_a_token_is_asked_for_nobody_reads_without_one(guarded: TestClient) -> None:
    answer = guarded.get("/v1/calls")
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith("Basic")
    assert guarded.get("/v1/calls", headers=bearer("wrong")).status_code == 401
    assert guarded.get("/v1/calls", headers={"Authorization": "Basic ???"}).status_code == 401
    assert guarded.get("/v1/calls", headers={"Authorization": "Digest x"}).status_code == 401
    assert guarded.get("/healthz").status_code == 200


@pytest.mark.parametrize("header", [bearer, basic])
def test_a_token_opens_its_own_account_as_bearer_or_as_basic_password(guarded: TestClient, header: object) -> None:
    assert callable(header)
    for token, units in ((OPERATOR, 16), (TOKENS[HERE], 16), (TOKENS[THERE], 6)):
        assert len(guarded.get("/v1/units", headers=header(token)).json()["items"]) == units


def test_a_form_of_another_site_may_not_write(here: TestClient) -> None:
    for path in ("/v1/units/u-0001/visits", "/units/u-0001/visits"):
        answer = here.post(
            path, headers={"Origin": "http://elsewhere.example"}, data={"at": "2026-01-01", "work": "other"}
        )
        assert answer.status_code in (403, 422)
    told = here.post(
        "/units/u-0001/visits",
        headers={"Origin": "http://elsewhere.example"},
        data={"at": "2026-01-01T10:00", "work": "other"},
    )
    assert told.status_code == 403


def test_an_account_that_does_not_exist_yet_is_said_so(filled: str) -> None:
    with client(filled, account="Nowhere") as opened:
        answer = opened.get("/v1/calls")
    assert answer.status_code == 503
    assert "Nowhere" in answer.json()["detail"]


def test_only_whoever_runs_the_server_sees_the_quarantine_of_unknown_devices(guarded: TestClient) -> None:
    def reasons(token: str) -> set[str]:
        return {q["reason"] for q in guarded.get("/v1/intake", headers=bearer(token)).json()["quarantine"]}

    assert reasons(OPERATOR) == {"bad_json", "unknown_device"}
    assert reasons(TOKENS[HERE]) == {"bad_json"}
