"""No two intakes ever have one name at the broker."""

from __future__ import annotations

import pytest

from ingest import lease
from ingest.database import connect

pytestmark = pytest.mark.stack


def test_a_name_is_had_by_one_connection_until_that_ends(database: str) -> None:
    with connect(database) as second:
        with connect(database) as first:
            assert lease.claim(first, "intake", numbered=False) == "intake"
            assert lease.claim(second, "intake", numbered=False) is None
            assert lease.holds(first, "intake")
            assert not lease.holds(second, "intake")
            assert lease.holder(second, "intake").startswith("an intake at ")
            assert lease.claim(second, "another", numbered=False) == "another"
        for _ in range(100):  # the server sees a moment later that the connection has ended
            if lease.claim(second, "intake", numbered=False):
                break
        assert lease.holds(second, "intake")


def test_numbers_are_taken_from_the_lowest_and_a_free_one_is_taken_again(database: str) -> None:
    with connect(database) as third:
        with connect(database) as first, connect(database) as second:
            assert lease.claim(first, "intake", numbered=True) == "intake-1"
            assert lease.claim(second, "intake", numbered=True) == "intake-2"
            first.execute("select pg_advisory_unlock_all()")
            assert not lease.holds(first, "intake-1")
            assert lease.claim(third, "intake", numbered=True) == "intake-1"
        assert lease.holds(third, "intake-1")


def test_names_are_apart_from_database_to_database(database: str, postgres: str) -> None:
    with connect(database) as here, connect(postgres) as there:
        assert lease.claim(here, "intake", numbered=False) == "intake"
        assert lease.claim(there, "intake", numbered=False) == "intake"
        assert lease.holder(there, "intake") == "another intake"
