from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

pytestmark = pytest.mark.stack


def test_the_program_says_that_it_is_up_and_ready(here: TestClient) -> None:
    assert here.get("/healthz").json() == here.get("/readyz").json() == {"status": "ok"}


def test_the_counters_are_prometheus_text_with_units_by_standing(here: TestClient) -> None:
    here.get("/v1/units/u-0001")
    answer = here.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain")
    found = {s.name: s for f in text_string_to_metric_families(answer.text) for s in f.samples if not s.labels}
    assert found["halfsecond_devices"].value == 16
    standings = {
        s.labels["standing"]: s.value
        for f in text_string_to_metric_families(answer.text)
        if f.name == "halfsecond_units"
        for s in f.samples
    }
    assert standings["down"] == 1
    assert sum(standings.values()) == 16


def test_requests_are_counted_by_route_and_never_by_the_name_of_a_unit(here: TestClient) -> None:
    here.get("/v1/units/u-0001")
    text = here.get("/metrics").text
    assert 'route="/v1/units/{unit}"' in text
    assert "u-0001" not in text
