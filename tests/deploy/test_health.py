"""Health is what a program does, not that it runs."""

from __future__ import annotations

import socket

import pytest

from deploy import health
from deploy.cli import main
from deploy.settings import Settings
from ingest import meters as metering
from ingest import store
from ingest.answering import served
from ingest.database import connect
from ingest.errors import BadInputError
from ingest.meters import Meters


@pytest.fixture
def port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as free:
        return int(free.getsockname()[1])


def test_intake_is_well_while_broker_and_database_answer_it(port: int) -> None:
    settings = Settings(metrics_port=port, metrics_host="0.0.0.0")  # noqa: S104 - asked on the loopback
    assert "no answer at" in (health.problem("intake", settings) or "")
    meters = Meters()
    with served(meters, port):
        metering.is_there(meters, "database")
        assert health.problem("intake", settings) == "not ready (503): broker is away: not reached yet"
        metering.is_there(meters, "broker")
        assert health.problem("intake", settings) is None


def test_intake_without_a_port_cannot_be_asked() -> None:
    with pytest.raises(BadInputError, match="HALFSECOND_METRICS_PORT"):
        health.problem("intake", Settings())


def test_pages_that_are_not_there_give_one_line_and_exit_code_1(
    port: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("HALFSECOND_LISTEN", f"127.0.0.1:{port}")
    assert main(["health", "pages"]) == 1
    said = capsys.readouterr().err
    assert said.startswith(f"pages: no answer at http://127.0.0.1:{port}/readyz")
    assert said.count("\n") == 1


@pytest.mark.stack
def test_the_watch_is_well_unless_a_changed_day_has_waited_long(database: str) -> None:
    settings = Settings(database=database)
    assert health.problem("watch", settings) is None
    with connect(database) as connection:
        account_id = store.account(connection, "main", create=True)
        unit_id = store.unit_ids(connection, account_id, ["u-1"], create=True)["u-1"]
        connection.execute(
            "insert into dirty_day (unit_id, day, account_id) values (%s, '2024-01-14', %s)", (unit_id, account_id)
        )
        assert health.problem("watch", settings) is None
        connection.execute("update dirty_day set marked_at = now() - interval '40 minutes'")
    assert (health.problem("watch", settings) or "").startswith("a changed day has waited 40 minutes")
    assert "cannot be reached" in (health.problem("watch", Settings(database="host=127.0.0.1 port=1")) or "")


@pytest.mark.stack
def test_the_notices_are_well_unless_an_account_was_long_not_looked_at(database: str) -> None:
    settings = Settings(database=database)
    assert health.problem("notices", settings) is None
    with connect(database) as connection:
        account_id = store.account(connection, "main", create=True)
        connection.execute(
            "with kim as (insert into person (account_id, name, role) values (%s, 'Kim Example', 'manager')"
            "  returning account_id, person_id)"
            " insert into notice_target (account_id, person_id, url)"
            " select account_id, person_id, 'json://127.0.0.1:9/' from kim",
            (account_id,),
        )
        assert health.problem("notices", settings) is None
        connection.execute("update notice_target set added_at = now() - interval '12 minutes'")
        assert (health.problem("notices", settings) or "").startswith("an account was not looked at for 12 minutes")
        connection.execute(
            "insert into notice_account (account_id, settled_at, silence_at) values (%s, now(), now())", (account_id,)
        )
        assert health.problem("notices", settings) is None
