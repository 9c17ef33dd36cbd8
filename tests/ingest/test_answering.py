"""Intake says over HTTP what it counts and which part is away."""

from __future__ import annotations

import socket
import urllib.error
import urllib.request

import pytest

from ingest import meters as metering
from ingest.answering import answer, served
from ingest.errors import UnavailableError
from ingest.meters import Meters


def test_it_is_ready_once_broker_and_database_both_answer() -> None:
    meters = Meters()
    assert answer(meters, "/readyz")[0] == 503
    metering.is_there(meters, "database")
    status, _, body = answer(meters, "/readyz")
    assert (status, body) == (503, b"broker is away: not reached yet\n")
    metering.is_there(meters, "broker")
    assert answer(meters, "/readyz")[::2] == (200, b"ok\n")
    metering.is_away(meters, "database", "it is being restarted")
    assert answer(meters, "/readyz?x=1")[::2] == (503, b"database is away: it is being restarted\n")
    figures = answer(meters, "/metrics")[2].decode()
    assert 'halfsecond_intake_up{part="broker"} 1.0' in figures
    assert 'halfsecond_intake_up{part="database"} 0.0' in figures
    assert answer(meters, "/healthz")[0] == 200
    assert answer(meters, "/other")[0] == 404


def test_it_answers_on_its_port_while_it_runs_and_leaves_it_free() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with served(Meters(), port):
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=5) as told:
            assert told.read() == b"ok\n"
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=5)
        refused.value.close()
        assert refused.value.code == 503
        with pytest.raises(UnavailableError, match=f"metrics port {port} cannot be had"), served(Meters(), port):
            pass
    with served(Meters(), port), served(Meters(), None):
        pass
