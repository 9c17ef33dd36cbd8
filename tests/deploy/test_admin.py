"""``halfsecond account|person|device|token``."""

from __future__ import annotations

import json
from typing import Any

import psycopg
import pytest

from deploy.cli import main
from ingest.passwords import token_hash

pytestmark = pytest.mark.stack


class Cli:
    """Runs commands against one database; ``out`` and ``err`` are what the last one printed."""

    def __init__(self, database: str, capsys: pytest.CaptureFixture[str]) -> None:
        self.database, self.capsys = database, capsys
        self.out = self.err = ""

    def __call__(self, *words: str) -> int:
        self.capsys.readouterr()
        code = main([*words, "--database", self.database])
        self.out, self.err = self.capsys.readouterr()
        return code

    def rows(self, *words: str) -> list[dict[str, Any]]:
        assert self(*words, "--json") == 0, self.err
        return [json.loads(line) for line in self.out.splitlines()]

    def sql(self, statement: str) -> list[Any]:
        with psycopg.connect(self.database, autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []


@pytest.fixture
def cli(database: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Cli:
    for name in ("HALFSECOND_DATABASE", "HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT"):
        monkeypatch.delenv(name, raising=False)
    return Cli(database, capsys)


@pytest.fixture
def contractor(cli: Cli) -> Cli:
    """One account with two units."""
    cli.sql("insert into account (name) values ('Larkfell Heating')")
    cli.sql("insert into unit (account_id, unit) select account_id, unnest(array['u-0001', 'u-0002']) from account")
    return cli


def test_an_account_is_added_listed_and_removed(cli: Cli) -> None:
    assert cli("account", "add", "Larkfell Heating") == 0
    assert [(r["account"], r["units"]) for r in cli.rows("account", "list")] == [("Larkfell Heating", 0)]
    assert cli("account", "remove", "Larkfell Heating") == 0
    assert cli.rows("account", "list") == []


def test_an_account_with_units_is_not_removed(contractor: Cli) -> None:
    assert contractor("account", "remove", "Larkfell Heating") == 2
    assert "has 2 units with their history" in contractor.err
    assert len(contractor.rows("account", "list")) == 1


def test_removing_an_account_takes_everything_of_its_own_along(contractor: Cli) -> None:
    assert contractor("account", "add", "Other") == 0
    contractor("token", "add", "t", "--account", "Other")
    contractor("person", "add", "Kim", "--role", "manager", "--account", "Other")
    contractor.sql("insert into site (account_id, site) select account_id, 's-1' from account where name = 'Other'")
    contractor("token", "add", "kept", "--account", "Larkfell Heating")
    assert contractor("account", "remove", "Other") == 0
    tables = [
        row[0]
        for row in contractor.sql(
            "select table_name from information_schema.columns "
            "join information_schema.tables using (table_schema, table_name) "
            "where column_name = 'account_id' and table_schema = 'public' and table_type = 'BASE TABLE'"
        )
    ]
    (kept,) = contractor.sql("select account_id from account")[0]
    assert {"token", "person", "site", "unit", "start"} <= set(tables)
    for table in tables:
        assert contractor.sql(f"select count(*) from {table} where account_id <> {kept}") == [(0,)], table  # noqa: S608
    assert [r["token"] for r in contractor.rows("token", "list")] == ["kept"]


def test_a_person_has_one_of_the_three_roles(contractor: Cli) -> None:
    assert contractor("person", "add", "Kim Example", "--role", "technician", "--phone", "+1 555 0100") == 0
    (person,) = contractor.rows("person", "list")
    assert (person["person"], person["role"], person["mail"], person["phone"]) == (
        "Kim Example",
        "technician",
        None,
        "+1 555 0100",
    )
    with pytest.raises(SystemExit, match="2"):
        contractor("person", "add", "Lee Example", "--role", "owner")
    assert contractor("person", "remove", "Kim Example") == 0
    assert contractor("person", "remove", "Kim Example") == 2
    assert contractor.err == "halfsecond: person: there is no person 'Kim Example'; see 'halfsecond person list'\n"


def test_a_devices_password_is_shown_once_and_kept_only_as_a_hash(contractor: Cli) -> None:
    (made,) = contractor.rows("device", "add", "d-0001", "--unit", "u-0001")
    assert len(made["password"]) == 43
    (listed,) = contractor.rows("device", "list")
    assert (listed["device"], listed["unit"], listed["password"]) == ("d-0001", "u-0001", True)
    everything = str(contractor.sql("select to_jsonb(device.*)::text from device"))
    assert "$7$101$" in everything
    assert made["password"] not in everything


def test_a_device_needs_a_unit_that_is_there(contractor: Cli) -> None:
    assert contractor("device", "add", "d-0001", "--unit", "u-9") == 2
    assert contractor.err == (
        "halfsecond: --unit: there is no unit 'u-9'; load it first with 'halfsecond load units FILE'\n"
    )


@pytest.mark.parametrize("name", ["a/b", "a+", "#", "a:b", "", "halfsecond-intake", "x" * 65, "d 1"])
def test_a_device_name_that_the_broker_would_misread_is_refused(contractor: Cli, name: str) -> None:
    assert contractor("device", "add", name, "--unit", "u-0001") == 2
    assert "cannot be a broker user" in contractor.err
    assert contractor.rows("device", "list") == []


def test_a_device_that_is_there_gets_a_new_password_only_when_asked(contractor: Cli) -> None:
    (first,) = contractor.rows("device", "add", "d-0001", "--unit", "u-0001")
    assert contractor("device", "add", "d-0001", "--unit", "u-0002") == 2
    assert "'d-0001' reports for u-0001 already" in contractor.err
    (second,) = contractor.rows("device", "add", "d-0001", "--unit", "u-0002", "--renew")
    assert second["password"] != first["password"]
    assert [(r["device"], r["unit"]) for r in contractor.rows("device", "list")] == [("d-0001", "u-0002")]


def test_a_removed_device_has_no_password_and_may_come_back(contractor: Cli) -> None:
    contractor("device", "add", "d-0001", "--unit", "u-0001")
    assert contractor("device", "remove", "d-0001") == 0
    assert contractor.rows("device", "list") == []
    assert contractor.sql("select password_hash, removed_at is not null from device") == [(None, True)]
    assert contractor("device", "add", "d-0001", "--unit", "u-0002") == 0
    assert [r["unit"] for r in contractor.rows("device", "list")] == ["u-0002"]


def test_another_accounts_device_is_neither_taken_nor_named(contractor: Cli) -> None:
    contractor("device", "add", "d-0001", "--unit", "u-0001")
    contractor("account", "add", "Other")
    contractor.sql("insert into unit (account_id, unit) select account_id, 'secret' from account where name = 'Other'")
    other = ("--account", "Other")
    assert contractor("device", "add", "d-0001", "--unit", "secret", "--renew", *other) == 2
    assert contractor.err == "halfsecond: device: the name 'd-0001' is taken: choose another\n"
    assert contractor("device", "remove", "d-0001", *other) == 2
    assert contractor.rows("device", "list", *other) == []
    assert contractor.sql("select removed_at from device") == [(None,)]


def test_a_token_is_shown_once_and_kept_only_as_a_hash(contractor: Cli) -> None:
    (made,) = contractor.rows("token", "add", "office-screen")
    assert contractor.sql("select hash from token") == [(token_hash(made["token"]),)]
    assert contractor("token", "add", "office-screen") == 2
    assert "there is a token 'office-screen' already" in contractor.err
    assert [r["token"] for r in contractor.rows("token", "list")] == ["office-screen"]
    assert contractor("token", "remove", "office-screen") == 0
    assert contractor.rows("token", "list") == []


def test_a_list_for_people_is_aligned_and_says_so_when_empty(contractor: Cli) -> None:
    assert contractor("person", "list") == 0
    assert contractor.out == "no persons yet\n"
    contractor("person", "add", "Kim Example", "--role", "manager")
    contractor("person", "list")
    assert contractor.out.splitlines()[0].split() == ["person", "role", "mail", "phone", "added"]
