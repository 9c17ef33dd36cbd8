"""A database is brought up to date before the programs start."""

from __future__ import annotations

import time
import uuid

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy.cli import main
from ingest.database import connect


@pytest.mark.stack
def test_an_empty_database_gets_its_tables_and_its_first_account_once(
    postgres: str, capsys: pytest.CaptureFixture[str]
) -> None:
    name = f"test_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(postgres, autocommit=True) as connection:
        connection.execute(sql.SQL("create database {}").format(sql.Identifier(name)))
    conninfo = make_conninfo(postgres, dbname=name)
    try:
        for _ in range(2):
            assert main(["migrate", "--database", conninfo]) == 0
        assert capsys.readouterr().out.splitlines()[-2:] == ["the schema is up to date", "account 'main' is there"]
        with connect(conninfo) as connection:
            assert connection.execute("select name from account").fetchall() == [("main",)]
            connection.execute("insert into account (name) values ('second')")
        assert main(["migrate", "--database", conninfo]) == 0
        assert capsys.readouterr().out == "the schema is up to date\n"
    finally:
        with psycopg.connect(postgres, autocommit=True) as connection:
            connection.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


def test_a_server_that_is_not_there_is_waited_for_and_then_gives_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    began = time.monotonic()
    assert main(["migrate", "--database", "host=127.0.0.1 port=1", "--wait", "1.5"]) == 2
    assert time.monotonic() - began >= 1.5
    assert capsys.readouterr().err.count("\n") == 1
