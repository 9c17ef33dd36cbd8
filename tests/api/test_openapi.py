from __future__ import annotations

import psycopg
import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings

from api.app import create_app
from api.settings import ApiSettings
from tests.api import made
from tests.api.conftest import HERE

pytestmark = pytest.mark.stack
EXAMPLES = 25
"""Requests tried for each operation."""


def test_no_request_within_the_description_meets_an_answer_outside_of_it(database: str) -> None:
    made.partitions(database)
    with psycopg.connect(database) as conn:
        made.fleet(conn, HERE, units=8, days=2, verdict_days=2)
    app = create_app(ApiSettings(database, HERE, clock="data"))
    tried = 0
    with TestClient(app, base_url="http://localhost"):
        for found in schemathesis.openapi.from_asgi("/openapi.json", app).get_all_operations():
            operation = found.ok()

            @settings(
                max_examples=EXAMPLES,
                deadline=None,
                database=None,
                derandomize=True,
                phases=[Phase.explicit, Phase.generate],
                suppress_health_check=list(HealthCheck),
            )
            @given(operation.as_strategy())
            def answers_as_described(case: schemathesis.Case) -> None:
                case.call_and_validate(headers={"Host": "localhost"})

            answers_as_described()
            tried += 1
    assert tried >= 13
