from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import pytest

from ingest.link import IntakeSettings, Link, has_more, make_client
from ingest.readahead import PIECE, ReadAhead


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, ReadAhead]]:
    far, near = socket.socketpair()
    near.setblocking(False)
    with far, near:
        yield far, ReadAhead(near)


def test_bytes_come_out_in_order_however_many_are_asked_for_at_once(pair: tuple[socket.socket, ReadAhead]) -> None:
    far, near = pair
    sent = bytes(range(256)) * 1_000
    writer = threading.Thread(target=far.sendall, args=(sent,))
    writer.start()
    got, sizes = b"", iter([1, 1, 2, 300, 70_000, 1, 1, 5] * len(sent))
    while len(got) < len(sent):
        try:
            part = near.recv(size := next(sizes))
        except BlockingIOError:
            continue
        assert 0 < len(part) <= size
        got += part
    writer.join()
    assert got == sent


def test_what_is_read_ahead_is_pending_until_it_is_given_out(pair: tuple[socket.socket, ReadAhead]) -> None:
    far, near = pair
    far.sendall(b"abc")
    assert near.pending() == 0
    assert near.recv(1) == b"a"
    assert near.pending() == 2
    assert near.recv(PIECE) == b"bc"
    assert near.pending() == 0
    with pytest.raises(BlockingIOError):
        near.recv(1)


def test_what_came_before_the_other_side_closed_is_given_out_before_the_end(
    pair: tuple[socket.socket, ReadAhead],
) -> None:
    far, near = pair
    far.sendall(b"ab")
    assert near.recv(1) == b"a"
    far.close()
    assert near.recv(1) == b"b"
    assert near.recv(1) == b""


def test_the_client_of_intake_reads_ahead_and_knows_what_it_has() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = make_client(Link(IntakeSettings("", "127.0.0.1", server.getsockname()[1])))
        client.connect("127.0.0.1", server.getsockname()[1])
        far, _ = server.accept()
        with far:
            far.sendall(b"\x20\x02\x00\x00")  # CONNACK, accepted (MQTT 3.1.1, section 3.2)
            # The library must go on asking us for the connection, or each message costs four calls of the system.
            assert isinstance(client.socket(), ReadAhead)
            while not (got := _first(client)):
                pass
            assert got == b"\x20"
            assert has_more(client)


def _first(client: object) -> bytes:
    try:
        return client.socket().recv(1)  # type: ignore[attr-defined, no-any-return]
    except BlockingIOError:
        return b""
