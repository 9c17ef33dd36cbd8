"""An MQTT broker as a private child process on the loopback: mosquitto where it is installed, else iotcore.

With mosquitto every device has its password and may write under its own name only, messages survive a restart, and
passwords can be added while it runs. iotcore comes as a Python package and keeps everything in memory: messages it
has accepted and intake has not yet committed die with it, and it knows no rule per device.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from deploy.broker_users import INTAKE_USER, intake_hash, rules, table
from deploy.embedded import folder as data_folder
from deploy.embedded.process import free_port, port_problem, spawn, stop, wait_for_port
from ingest.errors import UnavailableError
from ingest.passwords import new_secret

Kind = Literal["mosquitto", "iotcore", "other"]
MAX_PAYLOAD_BYTES = 16_000_000
IOTCORE_LOSES = "messages it has accepted and intake has not yet committed die with it"

# The defaults lose messages: a queue of 1,000 a client drops what comes while intake is away, and a window of 20 in
# flight holds up intake, which acknowledges a batch only after its commit.
MOSQUITTO = """\
listener {port} 127.0.0.1
{sign_in}
persistence true
persistence_location {state}/
autosave_interval 2
max_inflight_messages 1000
max_queued_messages 1000000
message_size_limit {max_payload}
persistent_client_expiration 14d
set_tcp_nodelay true
log_dest stderr
log_type error
log_type warning
{user}
"""
_SIGN_IN = "allow_anonymous false\npassword_file {folder}/passwords\nacl_file {folder}/rules"
_IOTCORE_PORT = """
[{version}.1]
name = "{version}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[{version}.1.connections]
connection_timeout_ms = 60000
max_payload_size = {max_payload}
max_inflight_count = 100
dynamic_filters = true
"""
_IOTCORE_ROUTER = """\
id = 0
[router]
id = 0
max_connections = 10010
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
"""
# A folder of the same name in the working directory must not stand in for the package.
_IOTCORE_MAIN = (
    "import sys; sys.path[:] = [p for p in sys.path if p not in ('', '.')]; "
    "from iotcore.iotcore import IotCoreBroker; IotCoreBroker(config_path=sys.argv[1]).run_forever()"
)


@dataclass(frozen=True)
class BrokerAddress:
    """Where a broker is and how to sign in; ``protocol_version`` is 4 (MQTT 3.1.1) or 5."""

    host: str
    port: int
    kind: Kind = "other"
    user: str | None = None
    password: str | None = None
    protocol_version: Literal[4, 5] = 4

    def signed_in_as(self, user: str, password: str | None) -> BrokerAddress:
        """Return the same address for another user."""
        return replace(self, user=user, password=password)


@dataclass(frozen=True)
class Broker:
    """A running broker: the address for intake, for version 5 where that has another port, its process and folder.

    ``topics`` are those of loggers of another kind.
    """

    address: BrokerAddress
    address_5: BrokerAddress
    process: subprocess.Popen[bytes]
    folder: Path
    topics: tuple[str, ...] = ()


def choose(wanted: str = "auto") -> Kind:
    """Return which broker to run: ``mosquitto``, ``iotcore``, or by ``auto`` the first if it is installed.

    Raises
    ------
    UnavailableError
        If mosquitto is demanded and not installed.
    """
    if wanted == "mosquitto":
        _program()
    return "mosquitto" if wanted != "iotcore" and program() is not None else "iotcore"


def program() -> str | None:
    """Return the path of mosquitto, also where a plain user's search path leaves out the system's programs."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/local/sbin:/usr/sbin:/opt/homebrew/sbin")


def _program() -> str:
    found = program()
    if found is None:
        raise UnavailableError("mosquitto is not installed: install it, or leave the choice of broker to auto")
    return found


def start(
    data: Path,
    kind: Kind,
    devices: Mapping[str, str] | None,
    port: int | None = None,
    intake_password: str | None = None,
    topics: Sequence[str] = (),
) -> Broker:
    """Start the broker over ``data/broker``.

    Parameters
    ----------
    data
        Data folder; mosquitto keeps its queues there from run to run.
    kind
        ``mosquitto`` or ``iotcore``.
    devices
        Password hash of each device (see ``ingest.passwords``); None lets anybody on this machine in (for tests).
        iotcore knows no rule per device and takes no notice.
    port
        TCP port on the loopback; a free one if None.
    intake_password
        What intake signs in with, for a broker started again; a new secret if None.
    topics
        Of loggers of another kind, with ``{device}`` in place of the device.

    Raises
    ------
    UnavailableError
        The port is taken, the folder out of reach, or the broker's own last words.
    """
    if port is not None and (problem := port_problem(port)):
        raise UnavailableError(f"port {port} for the broker {problem}: name another")
    account = data_folder.unprivileged()
    folder = data_folder.make(data / "broker", account, 0o700)
    log = data / "broker.log"
    port = port or free_port()
    if kind == "mosquitto":
        data_folder.check_reachable(folder / "passwords", account, "name another folder with --data")
        if devices is not None:
            intake_password = intake_password or new_secret()
            _write_users(folder, intake_password, devices, topics)
        user = f"user {account.name}" if account else ""
        sign_in = _SIGN_IN.format(folder=folder) if devices is not None else "allow_anonymous true"
        text = MOSQUITTO.format(port=port, sign_in=sign_in, state=folder, max_payload=MAX_PAYLOAD_BYTES, user=user)
        command: list[str | Path] = [_program(), "-c", _write(folder / "mosquitto.conf", text)]
        port_5 = port
    else:
        account = None
        port_5 = free_port()
        text = _IOTCORE_ROUTER + "".join(
            _IOTCORE_PORT.format(version=version, port=number, max_payload=MAX_PAYLOAD_BYTES)
            for version, number in (("v4", port), ("v5", port_5))
        )
        command = [sys.executable, "-c", _IOTCORE_MAIN, _write(folder / "iotcore.toml", text)]
    process = spawn(command, account=account, cwd=folder, log=log)
    address = BrokerAddress("127.0.0.1", port, kind)
    if kind == "mosquitto" and devices is not None:
        address = address.signed_in_as(INTAKE_USER, intake_password)
    try:
        for each in (port, port_5):
            wait_for_port(process, each, "broker", log)
    except BaseException:
        stop(process)
        raise
    return Broker(address, replace(address, port=port_5, protocol_version=5), process, folder, tuple(topics))


def halt(broker: Broker) -> None:
    """Stop the broker; mosquitto first writes its queues down."""
    stop(broker.process)


def admit(broker: Broker, devices: Mapping[str, str]) -> None:
    """Give the running broker a new table of devices: all of them with their password hashes, not only the new ones."""
    if broker.address.kind == "mosquitto" and broker.address.password is not None:
        _write_users(broker.folder, broker.address.password, devices, broker.topics)
        broker.process.send_signal(signal.SIGHUP)


@contextmanager
def running(data: Path, kind: Kind, devices: Mapping[str, str] | None, port: int | None = None) -> Iterator[Broker]:
    """Have the broker for the length of a ``with``."""
    broker = start(data, kind, devices, port)
    try:
        yield broker
    finally:
        halt(broker)


def _write_users(folder: Path, intake_password: str, devices: Mapping[str, str], topics: Sequence[str]) -> None:
    """Write mosquitto's password file and its rules: a device writes under its own name, intake reads all."""
    _write(folder / "rules", rules(topics))
    lines = table(devices, intake_hash(intake_password))
    _write(folder / "passwords.new", lines).replace(folder / "passwords")


def _write(path: Path, text: str) -> Path:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as handle:
        handle.write(text)
    _own(path)
    return path


def _own(path: Path) -> None:
    account = data_folder.unprivileged()
    if account is not None:
        os.chown(path, account.uid, account.gid)
