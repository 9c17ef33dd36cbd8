"""``halfsecond quarantine``: list, show, replay and drop, each bad use in one line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import psycopg
import pytest

from deploy.cli import main
from ingest.database import connect
from ingest.intake import Message, take_in
from tests.ingest.intake_helpers import count, encode, register, start

pytestmark = pytest.mark.stack
NOW = datetime(2024, 2, 1, tzinfo=UTC)
Cli = Callable[..., tuple[int, str, str]]


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


@pytest.fixture
def cli(
    database: str, connection: psycopg.Connection, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Cli:
    """Runs the command against a database with three items in quarantine: 1 and 2 of d-0001, 3 of an unknown device."""
    for name in ("HALFSECOND_DATABASE", "HALFSECOND_DATABASE_FILE", "HALFSECOND_DATA", "HALFSECOND_ACCOUNT"):
        monkeypatch.delenv(name, raising=False)
    register(connection)
    for device, payload in (
        ("d-0001", b"\xff\x1b[2J"),
        ("d-0001", encode(start(1, run_a=-1))),
        ("d-0002", encode(start(2))),
    ):
        take_in(connection, [Message(f"halfsecond/1/{device}/starts", payload, NOW)])

    def run(*words: str) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main(["quarantine", *words, "--database", database])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_the_list_is_aligned_text_or_json(cli: Cli) -> None:
    code, out, _ = cli("list")
    assert code == 0
    lines = out.splitlines()
    assert lines[0].split() == ["id", "received_at", "reason", "topic", "detail", "seen", "tries", "bytes"]
    assert len(lines) == 4
    assert "device: 'd-0002' is not registered" in lines[3]
    _, out, _ = cli("list", "--json")
    assert [json.loads(line)["reason"] for line in out.splitlines()] == [
        "bad_json",
        "impossible_value",
        "unknown_device",
    ]


def test_the_list_can_be_narrowed_and_says_how_much_it_leaves_out(cli: Cli) -> None:
    _, out, _ = cli("list", "--reason", "bad_json")
    assert out.splitlines()[-1] == "1 of 3: 1 bad_json, 1 impossible_value, 1 unknown_device"
    _, out, _ = cli("list", "--limit", "2", "--json")
    assert len(out.splitlines()) == 2
    _, out, _ = cli("list", "--account", "Larkfell Heating (example)", "--json")
    assert len(out.splitlines()) == 2
    _, out, _ = cli("list", "--device", "d-0007")
    assert out.splitlines()[0] == "nothing of that kind is in quarantine"


def test_an_item_is_shown_with_its_payload_which_cannot_steer_the_terminal(cli: Cli) -> None:
    code, out, _ = cli("show", "1")
    assert code == 0
    assert "bad_json" in out
    assert "\x1b" not in out
    assert out.splitlines()[-1] == "\\xff\\x1b[2J"
    _, out, _ = cli("show", "2", "--json")
    assert json.loads(json.loads(out)["payload"])["run_a"] == -1
    _, out, _ = cli("show", "1", "--json")
    assert json.loads(out)["payload_base64"] == "/xtbMko="


def test_after_the_device_is_registered_replay_stores_its_start(cli: Cli, connection: psycopg.Connection) -> None:
    assert cli("replay", "3")[1] == "0 stored, 1 still in quarantine\n"
    register(connection, units=2)
    assert cli("replay", "--all")[1] == "1 stored, 2 still in quarantine\n"
    assert connection.execute("select seq from start").fetchall() == [(2,)]


def test_what_is_dropped_is_gone(cli: Cli, connection: psycopg.Connection) -> None:
    assert cli("drop", "1", "2")[1] == "2 dropped\n"
    assert cli("drop", "--all", "--reason", "unknown_device")[1] == "1 dropped\n"
    assert count(connection, "quarantine") == 0
    assert cli("list")[1] == "nothing is in quarantine\n"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["show", "99"], "quarantine: there is no item 99; see 'halfsecond quarantine list'"),
        (["drop", "1", "99"], "quarantine: there is no item 99; see 'halfsecond quarantine list'"),
        (["replay"], "quarantine replay: give the numbers of items, or --all"),
        (["drop", "1", "--all"], "quarantine drop: give the numbers of items, or --all"),
        (
            ["drop", "1", "--reason", "bad_json"],
            "quarantine drop: --reason and --device go with --all, not with numbers",
        ),
        (["list", "--account", "nobody"], "--account: there is no account 'nobody'"),
    ],
)
def test_bad_use_gives_one_line_and_changes_nothing(
    cli: Cli, connection: psycopg.Connection, words: list[str], line: str
) -> None:
    code, out, err = cli(*words)
    assert (code, out) == (2, "")
    assert err.startswith(f"halfsecond: {line}")
    assert err.count("\n") == 1
    assert count(connection, "quarantine") == 3


def test_a_reason_that_does_not_exist_is_answered_with_those_that_do(cli: Cli) -> None:
    code, _, err = cli("list", "--reason", "tired")
    assert code == 2
    assert "'tired' is not one of bad_json, missing_field, impossible_value" in err


@pytest.mark.parametrize("word", ["0", "-1", "x", "9" * 30])
def test_a_number_that_is_none_is_refused(cli: Cli, word: str) -> None:
    with pytest.raises(SystemExit) as ended:
        cli("show", word)
    assert ended.value.code == 2
