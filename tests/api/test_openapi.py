"""Requests made up from the OpenAPI document, against what it says of their answers."""

from __future__ import annotations

from collections import Counter, defaultdict

import psycopg
import pytest
import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import negative_data_rejection

from api.app import create_app
from api.settings import ApiSettings
from tests.api import made, noticing
from tests.api.conftest import HERE

pytestmark = pytest.mark.stack
EXAMPLES = {GenerationMode.POSITIVE: 10, GenerationMode.NEGATIVE: 5}
"""Requests tried for each operation: within its description, and beside it."""
THERE = {"unit": "u-0001", "site": "s-0001", "person": "Kim Example", "device": "d-1-u-0002", "target": 1, "item": 1}
"""What there is, for every other request: a name that is made up leads to an answer that it is not known."""
NEVER_DONE = {
    ("POST", "/v1/people/{person}/notices/targets"),
    ("POST", "/v1/devices"),
    ("POST", "/v1/units/{unit}/photos"),
    ("GET", "/v1/units/{unit}/photos/{photo}"),
}
"""What chance makes no body for: an address that the library of notices knows, a unit that there is, a picture."""


# The pool of connections draws its own random numbers meanwhile, in threads of its own.
@pytest.mark.filterwarnings("ignore:Do not use the `random` module inside strategies")
def test_no_request_made_up_from_the_description_meets_an_answer_outside_of_it(database: str) -> None:
    made.partitions(database)
    with psycopg.connect(database) as conn:
        account_id = made.fleet(conn, HERE, units=4, days=2, verdict_days=2)
        noticing.told(conn, account_id, "Kim Example", "u-0001")
    app = create_app(ApiSettings(database, HERE, clock="data"))
    answers: defaultdict[tuple[str, str], Counter[int]] = defaultdict(Counter)
    with TestClient(app, base_url="http://localhost") as client:
        schema = schemathesis.openapi.from_asgi("/openapi.json", app)
        for found in schema.get_all_operations():
            operation = found.ok()
            for mode in GenerationMode:

                @settings(
                    max_examples=EXAMPLES[mode],
                    deadline=None,
                    database=None,
                    derandomize=True,
                    phases=[Phase.explicit, Phase.generate],
                    suppress_health_check=list(HealthCheck),
                )
                @given(operation.as_strategy(generation_mode=mode), st.booleans())
                def answers_as_described(case: schemathesis.Case, there: bool) -> None:
                    if there:
                        known = {n: v for n, v in THERE.items() if n in (case.path_parameters or {})}
                        case.path_parameters = {**case.path_parameters, **known}
                    # What is written in an address is text, of whatever kind it was meant: it may well be accepted.
                    answer = case.call_and_validate(
                        headers={"Host": "localhost"}, excluded_checks=[negative_data_rejection]
                    )
                    answers[case.method, case.path][answer.status_code] += 1

                try:
                    answers_as_described()
                except Unsatisfiable:
                    # Nothing that is sent there could be wrong: any text is a name.
                    assert mode is GenerationMode.NEGATIVE
                    assert not operation.body
                    assert not operation.query
        described = client.get("/openapi.json").json()["paths"]
    every = {(method.upper(), path) for path, methods in described.items() for method in methods}
    assert set(answers) == every
    assert not [status for told in answers.values() for status in told if status >= 500]
    # Each was also done, not only refused.
    undone = {key for key, told in answers.items() if not any(status < 400 for status in told)}
    assert undone <= NEVER_DONE, {key: answers[key] for key in undone}
