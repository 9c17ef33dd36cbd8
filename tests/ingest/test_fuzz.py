"""The byte fuzzer in short (in long: ``python -m tests.ingest.fuzz``): nothing sent crashes, hangs or vanishes."""

from __future__ import annotations

import psycopg
import pytest

from ingest.database import connect
from tests.ingest import fuzz
from tests.ingest.intake_helpers import count, register


def test_the_payloads_that_the_damage_is_done_to_are_right() -> None:
    known, told = fuzz.sources(), fuzz.Judged()
    for kind, payload in fuzz.seeds():
        fuzz.judge(kind, payload, known, told)
    assert told.bad == {}
    assert told.good > 20


def test_ten_thousand_damaged_payloads_are_each_good_or_held_with_a_reason() -> None:
    lines = fuzz.run(None, 10_000, seed=2)
    assert lines[0].startswith("10,000 payloads judged")
    assert all(reason in lines[2] for reason in ("bad_json", "impossible_value", "missing_field", "bad_mapping"))


@pytest.mark.stack
def test_damaged_payloads_are_stored_or_in_quarantine_and_never_lost(database: str) -> None:
    with connect(database) as connection:
        register(connection, units=20)
        before = rows(connection)
        fuzz.run(connection, 3_000, seed=3)
        assert rows(connection) > before
        assert count(connection, "quarantine") > 1_000
        reasons = connection.execute("select count(*) from quarantine where detail = '' or reason = ''").fetchone()
        assert reasons == (0,)


def rows(connection: psycopg.Connection) -> int:
    return count(connection, "start") + count(connection, "rest") + count(connection, "event")
