"""A connection that is read ahead: what has come is taken from the system in large pieces, and given out as asked for.

The client library asks for each message in four calls, one of them for a single byte: so many calls of the system cost
more than all that is done with the message afterwards.
"""

from __future__ import annotations

from typing import Any

import paho.mqtt.client as mqtt

PIECE = 65_536
"""Bytes asked of the system at once; as many may have been read and not been given out yet."""


class ReadAhead:
    """A connected socket, or one with TLS, whose ``recv`` reads ahead; in all else it is that socket.

    Parameters
    ----------
    under : the socket
    """

    def __init__(self, under: Any) -> None:  # noqa: ANN401 - whatever the client library has made
        self._under = under
        self._held = b""
        self._place = 0

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - that of the socket
        return getattr(self._under, name)

    def recv(self, size: int) -> bytes:
        """Return some bytes, at most ``size``; nothing once the other side has closed.

        Raises
        ------
        OSError
            What the socket raises, once all that it gave before is given out.
        """
        if self._place == len(self._held):
            self._held, self._place = self._under.recv(max(size, PIECE)), 0
        first = self._place
        self._place = min(first + size, len(self._held))
        return self._held[first : self._place]

    def pending(self) -> int:
        """Return how many bytes are there already: waiting for the socket to be readable would pass them by."""
        under: int = getattr(self._under, "pending", int)()
        return len(self._held) - self._place + under


class Client(mqtt.Client):
    """The library's client over a connection that is read ahead."""

    def _create_socket(self) -> Any:  # noqa: ANN401 - the library's hook for what stands between it and the network
        return ReadAhead(super()._create_socket())  # type: ignore[no-untyped-call, unused-ignore]
