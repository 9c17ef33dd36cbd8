from __future__ import annotations

import socket

import pytest
from fastapi.testclient import TestClient

from api import queries
from tests.api.conftest import client

pytestmark = pytest.mark.stack
KEYS = {"type", "title", "status", "detail", "instance"}


@pytest.mark.published
@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nowhere", 404),
        ("GET", "/v1/units/no-such-unit", 404),
        ("GET", "/v1/calls?limit=x", 422),
        ("DELETE", "/v1/calls", 405),
        ("POST", "/v1/units/u-0001/visits", 422),
    ],
)
def test_every_error_is_a_problem_document(here: TestClient, method: str, path: str, status: int) -> None:
    # RFC 9457, section 3: members type, title, status, detail, instance; media type application/problem+json.
    answer = here.request(method, path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert set(body) >= KEYS
    assert body["status"] == status
    assert body["instance"] == path.split("?", maxsplit=1)[0]


def test_a_browser_on_a_page_gets_the_same_words_as_a_page(here: TestClient) -> None:
    answer = here.get("/units/no-such-unit", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert "no unit &#39;no-such-unit&#39;" in answer.text
    assert (
        here.get("/v1/units/no-such-unit", headers={"Accept": "text/html"})
        .headers["content-type"]
        .startswith("application/problem")
    )


def test_a_body_that_is_no_text_is_refused_with_the_remedy(here: TestClient) -> None:
    kind = {"Content-Type": "application/json"}
    answer = here.post("/v1/units/u-0001/visits", content=b"\xff\xfe{", headers=kind)
    assert answer.status_code == 422
    assert answer.json()["detail"].startswith("body: cannot be read; send JSON in UTF-8")


def test_a_database_that_is_away_is_said_so_and_the_program_stays_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queries, "WAIT_S", 0.3)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        nobody = f"host=127.0.0.1 port={taken.getsockname()[1]} dbname=none connect_timeout=1"
        with client(nobody) as opened:
            assert opened.get("/healthz").status_code == 200
            for path in ("/readyz", "/v1/calls"):
                answer = opened.get(path)
                assert answer.status_code == 503
                assert answer.headers["retry-after"]


def test_a_database_without_its_schema_is_not_ready(postgres: str) -> None:
    with client(postgres) as opened:
        assert opened.get("/readyz").status_code == 503


def test_a_statement_past_the_time_limit_is_an_answer_with_the_remedy(filled: str) -> None:
    with client(filled, statement_limit_ms=1) as opened:
        found = {opened.get("/v1/calls?sort=drift").status_code for _ in range(20)}
        assert found <= {200, 503}
        answer = next((a for a in (opened.get("/units/u-0001") for _ in range(50)) if a.status_code == 503), None)
    assert 503 in found or answer is not None


def test_an_error_of_our_own_is_told_without_its_inside(filled: str) -> None:
    made = client(filled)

    @made.app.get("/v1/broken")  # type: ignore[attr-defined]
    def broken() -> None:
        raise RuntimeError("the secret inside")

    with TestClient(made.app, base_url="http://localhost", raise_server_exceptions=False) as opened:
        answer = opened.get("/v1/broken")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["content-security-policy"]
