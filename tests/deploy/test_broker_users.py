"""The broker's table of users follows the devices in the database."""

from __future__ import annotations

import hashlib
import threading
import time
from base64 import b64decode
from pathlib import Path

import pytest

from deploy import broker_users
from deploy.cli import main
from ingest import store
from ingest.database import connect
from ingest.errors import UnavailableError
from ingest.passwords import broker_password_hash


def test_the_table_has_a_line_a_user_by_name_and_intake_among_them() -> None:
    assert broker_users.table({"d-2": "b", "d-1": "a"}, "i") == "d-1:a\nd-2:b\nhalfsecond-intake:i\n"
    assert broker_users.table({"d-1": "a"}, broker_users.intake_hash(None)) == "d-1:a\n"


def test_a_file_is_put_in_place_as_a_whole_and_a_folder_that_is_missing_gives_one_line(tmp_path: Path) -> None:
    broker_users.write(tmp_path / "users", "one\n")
    broker_users.write(tmp_path / "users", "two\n")
    assert [path.name for path in tmp_path.iterdir()] == ["users"]
    assert (tmp_path / "users").read_text() == "two\n"
    with pytest.raises(UnavailableError, match="cannot be written"):
        broker_users.write(tmp_path / "none" / "users", "x")


def test_a_device_may_write_under_its_own_name_and_intake_may_read_all(tmp_path: Path) -> None:
    assert main(["broker", "rules", str(tmp_path / "rules")]) == 0
    # published: mosquitto.conf(5), acl_file: "topic [read|write] <topic>", "pattern [read|write] <topic>", %u the user
    assert (tmp_path / "rules").read_text() == (
        "user halfsecond-intake\ntopic read halfsecond/1/#\n\npattern write halfsecond/1/%u/#\n"
    )


def test_loggers_of_another_kind_may_write_under_their_own_names_where_a_rule_can_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "other.toml").write_text(
        "[starts]\ntopic = 'site/{device}/compressor/started'\n[starts.fields]\nseq = '/n'\nat = '/t'\n"
        "outcome = { value = 'ran' }\n"
    )
    monkeypatch.setenv("HALFSECOND_MAPPING", str(tmp_path))
    assert main(["broker", "rules", str(tmp_path / "rules")]) == 0
    assert (tmp_path / "rules").read_text().splitlines() == [
        "user halfsecond-intake",
        "topic read halfsecond/1/#",
        "topic read site/+/compressor/started",
        "",
        "pattern write halfsecond/1/%u/#",
        "pattern write site/%u/compressor/started",
    ]
    # No rule of mosquitto's holds a device to its name in a part of a level.
    assert "x-" not in broker_users.rules(["site/x-{device}/s"]).replace("topic read site/+/s", "")


def add_device(database: str, name: str) -> None:
    with connect(database) as connection:
        account_id = store.account(connection, "main", create=True)
        unit_id = store.unit_ids(connection, account_id, [name], create=True)[name]
        connection.execute(
            "insert into device (device, account_id, unit_id, password_hash) values (%s, %s, %s, %s)",
            (name, account_id, unit_id, broker_password_hash("word")),
        )


@pytest.mark.stack
def test_the_command_writes_every_device_and_intake_with_its_own_password(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_device(database, "d-1")
    monkeypatch.setenv("HALFSECOND_BROKER_PASSWORD", "geheim")
    assert main(["broker", "users", str(tmp_path / "users"), "--database", database]) == 0
    lines = dict(line.split(":") for line in (tmp_path / "users").read_text().splitlines())
    assert set(lines) == {"d-1", "halfsecond-intake"}
    _, kind, rounds, salt, hashed = lines["halfsecond-intake"].split("$")
    # published: the form of mosquitto's password file, PBKDF2 (RFC 8018, section 5.2) with HMAC-SHA-512
    assert kind == "7"
    assert b64decode(hashed) == hashlib.pbkdf2_hmac("sha512", b"geheim", b64decode(salt), int(rounds))


@pytest.mark.stack
def test_the_file_is_written_again_when_a_device_comes_and_not_otherwise(database: str, tmp_path: Path) -> None:
    add_device(database, "d-1")
    stop, path = threading.Event(), tmp_path / "users"
    thread = threading.Thread(target=broker_users.follow, args=(database, path, None, stop, 0.05))
    thread.start()
    try:
        _until(path, "d-1")
        written = path.stat().st_ino
        time.sleep(0.3)
        assert path.stat().st_ino == written
        add_device(database, "d-2")
        _until(path, "d-2")
    finally:
        stop.set()
        thread.join(10)


def _until(path: Path, word: str) -> None:
    deadline = time.monotonic() + 10
    while not (path.exists() and word in path.read_text()):
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_while_the_database_is_away_the_file_stays_and_one_line_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "users"
    path.write_text("d-1:a\n")
    stop = threading.Event()
    threading.Timer(0.5, stop.set).start()
    broker_users.follow("host=127.0.0.1 port=1", path, None, stop, 0.05)
    assert path.read_text() == "d-1:a\n"
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "stay as they are while the database is away" in said
