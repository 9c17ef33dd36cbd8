from __future__ import annotations

from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.api import document

pytestmark = pytest.mark.stack


def test_the_document_says_what_the_application_answers(here: TestClient) -> None:
    told = document.DOCUMENT.read_text(encoding="utf-8")
    made = document.whole(here)
    if told != made:
        out = Path(__file__).parents[1] / "out"
        out.mkdir(exist_ok=True)
        (out / "API.md").write_text(made, encoding="utf-8")
    assert told == made, "api/API.md is out of step: look at tests/out/API.md, and copy it over if it is right"


def test_every_page_is_in_the_document(here: TestClient) -> None:
    told = document.DOCUMENT.read_text(encoding="utf-8")
    for path in ("/", "/units/{unit}", "/cohorts", "/intake", "/patterns"):
        assert f"`{path}`" in told
    assert here.get("/openapi.json").json()["openapi"].startswith("3.")
