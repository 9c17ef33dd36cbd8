"""Intake over TLS, against a real mosquitto with certificates of an authority made here."""

from __future__ import annotations

import gc
import shutil
import subprocess
import threading
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest

from deploy.embedded import broker as embedded_broker
from deploy.embedded import folder as data_folders
from deploy.embedded.broker import BrokerAddress
from deploy.embedded.process import free_port, spawn, stop, wait_for_port
from ingest.database import connect
from ingest.errors import BadInputError, UnavailableError
from ingest.subscriber import IntakeSettings, run
from ingest.tls import Tls, context
from tests.ingest.intake_helpers import announce, count, encode, eventually, intake_thread, publish, register, start

needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes the certificates")
CONF = """\
listener {port} 127.0.0.1
cafile {folder}/ca.crt
certfile {folder}/server.crt
keyfile {folder}/server.key
require_certificate {demands}
listener {plain} 127.0.0.1
allow_anonymous true
max_queued_messages 0
max_inflight_messages 1000
log_dest stderr
"""


@dataclass(frozen=True)
class Certified:
    """A broker with a TLS port and, for the test's own publisher, a plain one; the folder with the certificates."""

    port: int
    plain: BrokerAddress
    folder: Path

    def settings(self, database: str, tls: Tls | None, **changes: Any) -> IntakeSettings:
        return IntakeSettings(**{"database": database, "host": "localhost", "port": self.port, "tls": tls} | changes)

    def file(self, name: str) -> str:
        return str(self.folder / name)


def openssl(folder: Path, *arguments: str) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)


def authority(folder: Path, name: str) -> None:
    openssl(
        folder, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
        "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.crt",
    )  # fmt: skip


def certificate(folder: Path, name: str, host: str, signed_by: str = "ca") -> None:
    (folder / "names").write_text(f"subjectAltName=DNS:{host}")
    openssl(
        folder, "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr",
    )  # fmt: skip
    openssl(
        folder, "x509", "-req", "-in", f"{name}.csr", "-CA", f"{signed_by}.crt", "-CAkey", f"{signed_by}.key",
        "-CAcreateserial", "-days", "2", "-extfile", "names", "-out", f"{name}.crt",
    )  # fmt: skip


@pytest.fixture(params=["false"])
def certified(request: pytest.FixtureRequest, data_folder: Path) -> Iterator[Certified]:
    account = data_folders.unprivileged()
    folder = data_folders.make(data_folder / "tls", account, 0o700)
    authority(folder, "ca")
    authority(folder, "stranger")
    certificate(folder, "server", "localhost")
    certificate(folder, "intake", "intake")
    port, plain = free_port(), free_port()
    (folder / "conf").write_text(CONF.format(port=port, plain=plain, folder=folder, demands=request.param))
    if account is not None:
        for path in folder.iterdir():
            shutil.chown(path, account.uid, account.gid)
    program = embedded_broker.program()
    assert program is not None
    log = data_folder / "tls.log"
    process = spawn([program, "-c", folder / "conf"], account=account, cwd=folder, log=log)
    try:
        wait_for_port(process, plain, "broker", log)
        yield Certified(port, BrokerAddress("127.0.0.1", plain), folder)
    finally:
        stop(process)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


@needs_openssl
@pytest.mark.stack
@pytest.mark.mosquitto
@pytest.mark.parametrize("protocol", [4, 5])
@pytest.mark.parametrize("certified", ["true"], indirect=True)
def test_what_comes_over_tls_is_stored_to_the_last_start(
    database: str, connection: psycopg.Connection, certified: Certified, protocol: int
) -> None:
    register(connection)
    mutual = Tls(certified.file("ca.crt"), certified.file("intake.crt"), certified.file("intake.key"))
    wanted = certified.settings(database, mutual, protocol=protocol)
    announce(IntakeSettings(database=database, host="127.0.0.1", port=certified.plain.port))
    # Small and large ones: a record of TLS holds 16 kB, and what is left of one does not show at the socket.
    large = encode(start(0, note="x" * 50_000))
    payloads = [encode(start(n)) if n % 50 else encode(start(n, note="x" * 50_000)) for n in range(1, 2000)]
    publish(certified.plain, [("halfsecond/1/d-0001/starts", payload) for payload in [large, *payloads]])
    with intake_thread(wanted):
        assert eventually(lambda: count(connection, "start") == 2000), count(connection, "start")
        # One at a time, while intake waits at the socket.
        for n in range(2000, 2010):
            publish(certified.plain, [("halfsecond/1/d-0001/starts", encode(start(n)))])
        assert eventually(lambda: count(connection, "start") == 2010)


def refusal(wanted: IntakeSettings) -> str:
    """Return the line with which intake refuses to start."""
    with warnings.catch_warnings():
        # paho leaves the socket of a failed handshake to the garbage collector, which comes here and not later.
        warnings.simplefilter("ignore", ResourceWarning)
        with pytest.raises(UnavailableError) as refused:
            run(wanted, threading.Event())
        line = str(refused.value)
        del refused
        gc.collect()
    return line


@needs_openssl
@pytest.mark.stack
@pytest.mark.mosquitto
def test_a_broker_that_is_not_trusted_or_has_another_name_gives_one_line(database: str, certified: Certified) -> None:
    for tls, host in ((Tls(certified.file("stranger.crt")), "localhost"), (Tls(certified.file("ca.crt")), "127.0.0.1")):
        line = refusal(certified.settings(database, tls, host=host))
        assert "speaks no TLS that we trust" in line
        assert "HALFSECOND_BROKER_TLS_CA" in line
        assert "\n" not in line


@needs_openssl
@pytest.mark.stack
@pytest.mark.mosquitto
def test_a_broker_that_speaks_no_tls_gives_one_line(database: str, certified: Certified) -> None:
    line = refusal(certified.settings(database, Tls(certified.file("ca.crt")), port=certified.plain.port))
    assert line.startswith("broker: ")
    assert f"localhost:{certified.plain.port}" in line
    assert "\n" not in line


def test_files_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").write_text("")
    nothing, empty = str(tmp_path / "none.pem"), str(tmp_path / "empty.pem")
    for tls, says in (
        (Tls(ca=nothing), "broker_tls_ca: .*none.pem cannot be read"),
        (Tls(ca=empty), "broker_tls_ca: .*empty.pem holds no certificate"),
        (Tls(cert=empty, key=nothing), "broker_tls_key: .*none.pem cannot be read"),
        (Tls(cert=empty, key=empty), "broker_tls_cert: .*empty.pem cannot be used with the key"),
    ):
        with pytest.raises(BadInputError, match=says):
            context(tls)
