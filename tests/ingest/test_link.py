"""How intake finds out how much a broker sends before it waits."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from deploy.embedded import broker as embedded_broker
from deploy.embedded import folder as data_folders
from deploy.embedded.broker import BrokerAddress
from deploy.embedded.process import free_port, spawn, stop, wait_for_port
from ingest.database import connect
from ingest.link import IntakeSettings, Link, Pending, drop, is_full, make_client, note_batch, note_more
from tests.ingest.intake_helpers import (
    announce,
    count,
    encode,
    eventually,
    intake_thread,
    publish,
    register,
    settings,
    start,
)


def link(batch: int = 100) -> Link:
    return Link(IntakeSettings(database="", host="", batch=batch))


def with_pending(one: Link, number: int) -> Link:
    one.pending = [Pending(n, 1, "topic", b"x", retained=False, received_at=0.0) for n in range(number)]
    return one


def test_two_batches_in_a_row_that_end_by_their_time_with_the_same_number_show_the_window() -> None:
    one = link()
    for number, window in ((20, 0), (20, 20)):
        note_batch(with_pending(one, number))
        assert one.window == window
    assert is_full(with_pending(one, 20))
    assert not is_full(with_pending(one, 19))


def test_batches_of_unlike_size_full_ones_and_single_messages_show_nothing() -> None:
    for sizes in ((20, 19, 20, 21), (100, 100, 100), (1, 1, 1), (20, 100, 20)):
        one = link()
        for number in sizes:
            note_batch(with_pending(one, number))
        assert one.window == 0, sizes


def test_messages_that_come_while_a_batch_is_unacknowledged_show_that_the_window_is_larger() -> None:
    one = link()
    one.window = 20
    note_more(with_pending(one, 0))
    assert one.window == 20
    note_more(with_pending(one, 1))
    assert one.window == 0


def test_another_connection_begins_without_what_was_learnt() -> None:
    one = link()
    one.window = one.stalled = 20
    drop(make_client(one), one)
    assert (one.window, one.stalled) == (0, 0)


@pytest.fixture
def narrow(data_folder: Path) -> Iterator[BrokerAddress]:
    """A mosquitto with its own default window of 20 messages."""
    account, port = data_folders.unprivileged(), free_port()
    folder = data_folders.make(data_folder / "narrow", account, 0o700)
    (folder / "conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    if account is not None:
        shutil.chown(folder / "conf", account.uid, account.gid)
    program = embedded_broker.program()
    assert program is not None
    process = spawn([program, "-c", folder / "conf"], account=account, cwd=folder, log=data_folder / "narrow.log")
    try:
        wait_for_port(process, port, "broker", data_folder / "narrow.log")
        yield BrokerAddress("127.0.0.1", port)
    finally:
        stop(process)


@pytest.mark.stack
@pytest.mark.mosquitto
def test_a_broker_of_small_window_is_not_waited_for_batch_after_batch(database: str, narrow: BrokerAddress) -> None:
    with connect(database) as connection:
        register(connection)
        # published: mosquitto.conf(5), max_inflight_messages, "Defaults to 20"; waiting each time would take 100 s
        wanted = settings(database, narrow, linger_s=1.0)
        announce(wanted)
        publish(narrow, [("halfsecond/1/d-0001/starts", encode(start(n))) for n in range(2_000)])
        with intake_thread(wanted):
            assert eventually(lambda: count(connection, "start") == 2_000, 30)
