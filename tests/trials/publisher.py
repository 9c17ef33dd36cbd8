"""A publisher that keeps a rate whatever happens to the broker, and knows what the broker has acknowledged."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from deploy.embedded.broker import BrokerAddress

UNDER_WAY = 400
MOST_WAITING = 50_000


class Publisher:
    """A logger for many devices: so many messages a second with QoS 1, over connection after connection.

    Parameters
    ----------
    address : of a broker that lets anybody in
    rate : messages a second
    make : from the number of a message, from 0, to its topic and payload
    again_s : what was sent so long before a connection broke is sent again, as the wire asks of a logger
    """

    def __init__(
        self, address: BrokerAddress, rate: float, make: Callable[[int], tuple[str, bytes]], again_s: float = 5.0
    ) -> None:
        self.acknowledged: dict[int, float] = {}
        """Numbers that the broker has acknowledged, and when it last did, by the monotonic clock."""
        self.sent_again = 0
        self._rate, self._make, self._again_s = rate, make, again_s
        self._waiting: deque[int] = deque()
        self._under_way: deque[tuple[int, int]] = deque()
        self._done: set[int] = set()
        self._recent: deque[tuple[float, int]] = deque()
        self._lost = threading.Event()
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="publisher", clean_session=False)
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = lambda _client, _data, mid, *_: self._done.add(mid)
        self._client.on_disconnect = lambda *_: self._lost.set()
        self._client.connect(address.host, address.port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Publish no new ones; return once all are acknowledged."""
        self._stop.set()
        self._thread.join()
        assert not self._under_way, (len(self._under_way), len(self._waiting))
        self._client.disconnect()
        self._client.loop_stop()

    def _send(self, number: int) -> None:
        topic, payload = self._make(number)
        self._under_way.append((number, self._client.publish(topic, payload, qos=1).mid))

    def _note(self) -> None:
        """Note what the broker has acknowledged since: in the order in which it was sent."""
        now = time.monotonic()
        while self._under_way and self._under_way[0][1] in self._done:
            number, mid = self._under_way.popleft()
            self._done.discard(mid)
            self.acknowledged[number] = now
            self._recent.append((now, number))
        while self._recent and self._recent[0][0] < now - 60:
            self._recent.popleft()

    def _work(self) -> None:
        began, number = time.monotonic(), 0
        until = float("inf")
        while time.monotonic() < until and (self._waiting or self._under_way or not self._stop.is_set()):
            time.sleep(0.01)
            self._note()
            if self._lost.is_set() and self._client.is_connected():
                self._lost.clear()
                self._send_again()
            if self._stop.is_set():
                until = min(until, time.monotonic() + 120)
            elif len(self._waiting) < MOST_WAITING:
                due = int((time.monotonic() - began) * self._rate)
                self._waiting.extend(range(number, due))
                number = max(number, due)
            # The client library looks through all that it holds at each acknowledgement: give it little.
            while self._waiting and len(self._under_way) < UNDER_WAY and self._client.is_connected():
                self._send(self._waiting.popleft())

    def _send_again(self) -> None:
        last = self._recent[-1][0] if self._recent else 0.0
        again = {number for at, number in self._recent if at >= last - self._again_s} if self._again_s else set()
        # Acknowledged out of turn, and so not noted yet: the broker may have forgotten it all the same.
        again |= {number for number, mid in self._under_way if mid in self._done}
        again -= {*self._waiting, *(number for number, mid in self._under_way if mid not in self._done)}
        self.sent_again += len(again)
        self._waiting.extendleft(sorted(again, reverse=True))
