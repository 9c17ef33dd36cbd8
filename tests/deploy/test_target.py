"""Which database and which account a command works on."""

from __future__ import annotations

import argparse
from pathlib import Path

import psycopg
import pytest

from deploy import target
from deploy.embedded import postgres as embedded_postgres
from ingest import database as db
from ingest.errors import BadInputError, UnavailableError


def arguments(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    target.add_options(parser)
    return parser.parse_args(words)


@pytest.fixture(autouse=True)
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HALFSECOND_DATABASE", "HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT"):
        monkeypatch.delenv(name, raising=False)


def test_an_option_goes_before_the_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HALFSECOND_DATABASE", "dbname=of_environment")
    assert target.conninfo(arguments("--database", "dbname=of_option")) == "dbname=of_option"
    assert target.conninfo(arguments()) == "dbname=of_environment"
    secret = tmp_path / "secret"
    secret.write_text("dbname=of_file\n")
    monkeypatch.setenv("HALFSECOND_DATABASE_FILE", str(secret))
    monkeypatch.delenv("HALFSECOND_DATABASE")
    assert target.conninfo(arguments()) == "dbname=of_file"


def test_a_folder_without_a_running_stack_is_one_line_with_the_remedy(tmp_path: Path) -> None:
    line = (
        rf"^no stack runs over {tmp_path}: start one with 'halfsecond serve all --data {tmp_path}', or name a database"
    )
    with pytest.raises(UnavailableError, match=line):
        target.conninfo(arguments("--data", str(tmp_path)))


def test_where_nothing_names_a_database_the_settings_data_folder_is_looked_at(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with pytest.raises(UnavailableError, match=r"^no stack runs over halfsecond-data: .* HALFSECOND_DATABASE$"):
        target.conninfo(arguments())
    monkeypatch.setenv("HALFSECOND_DATA", str(tmp_path))
    with pytest.raises(UnavailableError, match=rf"^no stack runs over {tmp_path}: "):
        target.conninfo(arguments())


@pytest.mark.stack
def test_a_running_stack_is_found_by_its_data_folder(data_folder: Path) -> None:
    with embedded_postgres.running(data_folder):
        conninfo = target.conninfo(arguments("--data", str(data_folder)))
        with psycopg.connect(conninfo) as connection:
            assert connection.execute("select current_database()").fetchone() == ("halfsecond",)
    with pytest.raises(UnavailableError, match=r"^no stack runs over"):
        target.conninfo(arguments("--data", str(data_folder)))


@pytest.mark.stack
def test_the_only_account_need_not_be_named(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with db.connect(database) as connection:
        with pytest.raises(BadInputError, match="there is no account yet"):
            target.account(connection, arguments())
        first = target.account(connection, arguments("--account", "First"), create=True)
        assert target.account(connection, arguments()) == first
        second = target.account(connection, arguments("--account", "Second"), create=True)
        with pytest.raises(BadInputError, match="name one of the 2 accounts"):
            target.account(connection, arguments())
        with pytest.raises(BadInputError, match="there is no account 'Third'"):
            target.account(connection, arguments("--account", "Third"))
        monkeypatch.setenv("HALFSECOND_ACCOUNT", "Second")
        assert target.account(connection, arguments()) == second
        assert target.account(connection, arguments("--account", "First")) == first
