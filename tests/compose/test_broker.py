"""The compose stack's broker by itself on a real engine: TLS, a renewed certificate, users that come while it runs."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.publish as paho
import pytest
import yaml
from paho.mqtt import MQTTException

from deploy import broker_users
from deploy.embedded.process import free_port
from ingest.passwords import broker_password_hash
from tests.compose import stack as stacks
from tests.compose.stack import FILE, ROOT, eventually, run
from tests.ingest.test_tls import authority, certificate

IMAGE = yaml.safe_load(FILE.read_text(encoding="utf-8"))["services"]["broker"]["image"]


def lacking() -> str | None:
    """Return why this cannot be tried here, or None."""
    if stacks.lacking() is not None:
        return stacks.lacking()
    if shutil.which("openssl") is None:
        return "openssl makes the certificates"
    here = subprocess.run(["docker", "image", "inspect", IMAGE], capture_output=True, check=False).returncode == 0
    return None if here else f"the image {IMAGE} is not on this machine"


pytestmark = [pytest.mark.engine, pytest.mark.skipif(lacking() is not None, reason=str(lacking()))]


@dataclass(frozen=True)
class Running:
    """A container with the broker, its ports on this machine, and the folders that it sees."""

    name: str
    plain: int
    tls: int
    users: Path
    certificates: Path

    def answers(self) -> bool:
        try:
            return bool(self.shown())
        except OSError:
            return False

    def may_publish(self, device: str, password: str) -> bool:
        trusted = {"ca_certs": str(self.certificates / "ca.crt")}
        try:
            paho.single(
                f"halfsecond/1/{device}/status",
                b"{}",
                qos=1,
                hostname="localhost",
                port=self.tls,
                auth={"username": device, "password": password},
                tls=trusted,  # type: ignore[arg-type] # every key but this one is optional
            )
        except MQTTException:
            return False
        return True

    def shown(self) -> str:
        """Return the certificate that it shows."""
        trust = ssl.create_default_context(cafile=self.certificates / "ca.crt")
        with (
            socket.create_connection(("localhost", self.tls), timeout=10) as line,
            trust.wrap_socket(line, server_hostname="localhost") as safe,
        ):
            return ssl.DER_cert_to_PEM_cert(safe.getpeercert(binary_form=True) or b"")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Running]:
    users, certificates = tmp_path / "users", tmp_path / "certificates"
    users.mkdir()
    certificates.mkdir()
    authority(certificates, "ca")
    certificate(certificates, "server", "localhost")
    (users / "passwords").write_text(broker_users.table({"d-1": broker_password_hash("word")}, None))
    (users / "rules").write_text(broker_users.rules())
    plain, tls = free_port(), free_port()
    name = f"halfsecond-broker-{plain}"
    volumes = {ROOT / "deploy/compose/broker": "/opt/broker", users: "/run/users", certificates: "/opt/certificates"}
    run(
        ["docker", "run", "-d", "--name", name, "-p", f"127.0.0.1:{plain}:1883", "-p", f"127.0.0.1:{tls}:8883"]
        + [word for here, there in volumes.items() for word in ("-v", f"{here}:{there}:ro")]
        + ["--entrypoint", "/bin/sh", IMAGE, "/opt/broker/run.sh"]
    )
    try:
        yield Running(name, plain, tls, users, certificates)
    finally:
        run(["docker", "rm", "-f", "-v", name])


def test_a_device_comes_in_by_tls_and_a_new_one_and_a_new_certificate_are_taken_while_it_runs(broker: Running) -> None:
    assert eventually(broker.answers, 20), run(["docker", "logs", broker.name])
    assert broker.may_publish("d-1", "word")
    assert not broker.may_publish("d-1", "other")
    assert not broker.may_publish("d-2", "word")
    hashes = {name: broker_password_hash("word") for name in ("d-1", "d-2")}
    broker_users.write(broker.users / "passwords", broker_users.table(hashes, None))
    assert eventually(lambda: broker.may_publish("d-2", "word"), 20)
    before = broker.shown()
    certificate(broker.certificates, "server", "localhost")
    assert eventually(lambda: broker.shown() != before, 20)
    began = time.monotonic()
    run(["docker", "stop", "-t", "30", broker.name])
    assert time.monotonic() - began < 20
    assert run(["docker", "inspect", broker.name, "--format", "{{.State.ExitCode}}"]).strip() == "0"
