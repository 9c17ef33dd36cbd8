"""``halfsecond store size|check|gaps|tend``."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from deploy.cli import main
from ingest.database import connect
from ingest.intake import Message, take_in
from tests.ingest.intake_helpers import encode, register, start

pytestmark = pytest.mark.stack
NOW = datetime.now(UTC)


@pytest.fixture(autouse=True)
def filled(database: str, monkeypatch: pytest.MonkeyPatch) -> str:
    for name in ("HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT", "HALFSECOND_KEEP_DAYS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HALFSECOND_DATABASE", database)
    with connect(database) as connection:
        register(connection)
        starts = [start(n, at=(NOW - timedelta(days=d)).isoformat()) for n, d in ((1, 100), (3, 1))]
        take_in(connection, [Message("halfsecond/1/d-0001/starts", encode(*starts), NOW)])
        connection.execute("delete from dirty_day")
    return database


def count(database: str) -> int:
    with psycopg.connect(database) as connection:
        row = connection.execute("select count(*) from start").fetchone()
    assert row is not None
    return int(row[0])


def test_tend_drops_what_is_older_than_is_kept_and_check_then_passes(
    filled: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["store", "tend"]) == 0
    assert count(filled) == 2
    monkeypatch.setenv("HALFSECOND_KEEP_DAYS", "60")
    assert main(["store", "tend"]) == 0
    assert count(filled) == 1
    assert "1 days dropped" in capsys.readouterr().out
    assert main(["store", "gaps", "--device", "d-0001", "--forget"]) == 0
    assert main(["store", "check"]) == 0
    assert "FOUND" not in capsys.readouterr().out


def test_gaps_are_listed_until_they_are_forgotten(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["store", "check"]) == 1
    assert "never received" in capsys.readouterr().out
    assert main(["store", "gaps", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "device": "d-0001", "unit": "u-0001", "missing": 1, "newest": 3, "sent": None, "ranges": "{[2,3)}",
    }  # fmt: skip
    assert main(["store", "gaps", "--forget"]) == 2
    assert "--forget goes with --device" in capsys.readouterr().err
    assert main(["store", "gaps", "--forget", "--device", "d-9"]) == 2
    assert "nothing was ever received from d-9" in capsys.readouterr().err
    assert main(["store", "gaps", "--forget", "--device", "d-0001"]) == 0
    capsys.readouterr()
    assert main(["store", "gaps"]) == 0
    assert capsys.readouterr().out == "nothing is missing\n"


def test_size_tells_tables_and_versions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["store", "size"]) == 0
    said = capsys.readouterr().out
    assert "start" in said
    assert "PostgreSQL" in said.splitlines()[-1]
    assert main(["store", "size", "--json"]) == 0
    assert all({"table", "rows", "bytes"} <= set(json.loads(line)) for line in capsys.readouterr().out.splitlines())


@pytest.mark.parametrize("arguments", [["check", "--days", "0"], ["tend", "--keep-days", "no"], ["shrink"]])
def test_bad_use_gets_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["store", *arguments])
    assert ended.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1
