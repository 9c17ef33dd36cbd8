"""What the tests of the pages may ask for: one filled database a session, and clients of its accounts."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import psycopg
import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.settings import ApiSettings
from tests.api import made, noticing
from tests.conftest import copied, template

HERE, THERE = "Larkfell Heating (example)", "Otherdale Heating (example)"
TOKENS = {HERE: "token-of-here", THERE: "token-of-there"}
OPERATOR = "token-of-the-operator"


@pytest.fixture(scope="session")
def filled(postgres: str, template_database: str) -> Iterator[str]:
    """The conninfo of a database with two accounts of made units; the tests that use it only read."""
    with copied(postgres, template_database) as conninfo:
        fill(conninfo)
        yield conninfo


@pytest.fixture(scope="session")
def small_database(postgres: str, template_database: str) -> Iterator[str]:
    """The name of a database to copy, of one account with three units."""
    with template(postgres, fill_small, template_database) as name:
        yield name


def fill_small(conninfo: str) -> None:
    """Write one account with three units that have started for two days."""
    made.partitions(conninfo, days=22)
    with psycopg.connect(conninfo) as conn:
        made.fleet(conn, HERE, units=3, days=2, verdict_days=1)


def fill(conninfo: str) -> None:
    """Write two accounts with a token each; unit names are the same in both, what they are is not."""
    made.partitions(conninfo)
    with psycopg.connect(conninfo) as conn:
        for account, units in ((HERE, 16), (THERE, 5)):
            account_id = made.fleet(conn, account, units=units, days=16, verdict_days=5)
            digest = hashlib.sha256(TOKENS[account].encode()).digest()
            conn.execute("insert into token (account_id, name, hash) values (%s, 'test', %s)", (account_id, digest))
            conn.execute(
                # A while ahead, so that a slow run of the tests still finds it recent.
                "insert into intake_minute (minute, account_id, received, stored)"
                " values (now() + interval '1 hour', %s, %s, %s)",
                (account_id, units, units),
            )
        there = conn.execute("select account_id from account where name = %s", (THERE,)).fetchone()
        assert there is not None
        made.site(conn, there[0], "s-only-there")
        unit_id = made.unit(conn, there[0], "u-only-there", "s-only-there", model="model only there")
        made.starts(conn, there[0], unit_id, made.SCENES[0], 3, 4)
        made.judged(conn, there[0], unit_id, "u-only-there", made.SCENES[0], 2)
        made.sampled(conn, there[0], unit_id)
        conn.execute(
            "insert into device (device, account_id, unit_id, removed_at) values ('d-only-there', %s, %s, now())",
            (there[0], unit_id),
        )
        noticing.told(conn, there[0], "Person only-there", "u-only-there")
        here = conn.execute("select account_id from account where name = %s", (HERE,)).fetchone()
        assert here is not None
        noticing.told(conn, here[0], "Kim Example", "u-0001")
        conn.execute(
            "insert into photo (account_id, unit_id, key, media_type, picture)"
            " values (%s, %s, 'made', 'image/png', '')",
            (there[0], unit_id),
        )
        conn.execute(
            """insert into quarantine (topic, payload, reason, detail)
               values ('halfsecond/1/nobody/starts', '{}', 'unknown_device', 'not registered')"""
        )


def client(conninfo: str, **settings: object) -> TestClient:
    """Return a client of an application over a database, by the data's clock unless told otherwise."""
    chosen = {"account": HERE, "clock": "data", **settings}
    return TestClient(create_app(ApiSettings(conninfo, **chosen)), base_url="http://localhost")  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def here(filled: str) -> Iterator[TestClient]:
    """A client of the first account, without a token."""
    with client(filled) as opened:
        yield opened


@pytest.fixture(scope="session")
def guarded(filled: str) -> Iterator[TestClient]:
    """A client of an application that asks for a token, and shows none."""
    with client(filled, token=OPERATOR) as opened:
        yield opened


@pytest.fixture
def small(postgres: str, small_database: str) -> Iterator[str]:
    """The conninfo of a fresh database that a test may write to, with three units."""
    with copied(postgres, small_database) as conninfo:
        yield conninfo


@pytest.fixture
def writable(small: str) -> Iterator[TestClient]:
    """A client of such a database."""
    with client(small) as opened:
        yield opened
