"""The data folder: made, owned by the right user, and claimed by one run at a time."""

from __future__ import annotations

import fcntl
import os
import pwd
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from deploy.embedded.process import Account
from ingest.errors import UnavailableError


def unprivileged() -> Account | None:
    """Return the user that database and broker run as: ourselves (None), or a powerless one where we are root.

    PostgreSQL refuses to run as root.
    """
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(name, entry.pw_uid, entry.pw_gid)
    raise UnavailableError("running as root, and there is no user postgres or nobody to run the database as: add one")


def make(folder: Path, account: Account | None = None, mode: int = 0o755) -> Path:
    """Make a folder with the wanted owner and mode and return its absolute path; one that stands keeps its mode.

    Raises
    ------
    UnavailableError
        If it cannot be made or written to.
    """
    folder = folder.absolute()
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True)
            folder.chmod(mode)
        if account is not None:
            os.chown(folder, account.uid, account.gid)
    except OSError as error:
        raise UnavailableError(
            f"data folder {folder} cannot be made: {error.strerror}; name another folder with --data"
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise UnavailableError(f"data folder {folder} is not writable; name another folder with --data")
    return folder


def check_reachable(path: Path, account: Account | None, remedy: str) -> None:
    """Refuse a path that an unprivileged user cannot get to because a folder above it is closed to others.

    Raises
    ------
    UnavailableError
        Naming the closed folder and the remedy.
    """
    if account is None:
        return
    for parent in reversed(path.resolve().parents):
        seen = parent.stat()
        needed = stat.S_IXOTH
        if seen.st_uid == account.uid:
            needed = stat.S_IXUSR
        elif seen.st_gid == account.gid:
            needed = stat.S_IXGRP
        if not seen.st_mode & needed:
            raise UnavailableError(
                f"running as root, the database runs as user {account.name}, who cannot enter {parent}: {remedy}"
            )


@contextmanager
def claimed(folder: Path) -> Iterator[Path]:
    """Hold the data folder for this process; the kernel lets go of it however the process ends.

    Raises
    ------
    UnavailableError
        If another run holds it.
    """
    folder = make(folder)
    path = folder / "lock"
    try:
        handle = path.open("a+", encoding="ascii")
    except OSError as error:
        raise UnavailableError(
            f"data folder {folder} is not writable ({error.strerror}); name another folder with --data"
        ) from None
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            handle.seek(0)
            holder = handle.read().strip() or "of unknown number"
            raise UnavailableError(in_use(folder, holder)) from None
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        yield folder


def in_use(folder: Path, process: str) -> str:
    """Return the line for a folder that another run holds."""
    return f"data folder {folder} is in use by process {process}: stop it or name another folder with --data"
