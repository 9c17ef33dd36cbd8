"""From a fresh clone to a working ``.venv``: standard library only, since nothing else is there yet.

``.venv`` stands beside ``pyproject.toml`` and holds what the lock files name, checked by their hashes, and this project
itself, editable. Marks inside it tell a finished installation from a broken-off one, and an up-to-date one from an old
one, so that the second run costs nothing.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import os
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from deploy.installing import InstallError, program, running_as_root, say, watch

ROOT = Path(__file__).resolve().parent.parent
LOCKS = {"main": "requirements.lock", "test": "tests/requirements.lock"}
EXIT_BAD = 2
EXIT_INTERRUPTED = 130
USAGE = """usage: python3 -m deploy setup               make .venv with what is locked, and .venv/bin/halfsecond in it
       python3 -m deploy demo [OPTION ...]   the same, then everything on this machine with a simulated winter
       python3 -m deploy test [--fast] [PYTEST OPTION ...]
                                             the same, then every check and test

example:
  python3 -m deploy demo --units 40"""


def main(argv: Sequence[str], root: Path = ROOT) -> int:
    """Run one of setup, demo and test; return its exit code: 2 where something of the user's is in the way."""
    command, rest = (argv[0], list(argv[1:])) if argv else ("", [])
    if command in {"-h", "--help"}:
        print(USAGE)
        return 0
    try:
        if command not in COMMANDS:
            say(f"no such command: {command or 'none given'}; there are setup, demo and test, see --help")
            return EXIT_BAD
        return COMMANDS[command](rest, root)
    except InstallError as error:
        say(str(error))
        return EXIT_BAD
    except KeyboardInterrupt:
        say("stopped; type the same again to go on")
        return EXIT_INTERRUPTED


def _setup_command(rest: list[str], root: Path) -> int:
    if {"-h", "--help"} & set(rest):
        print(USAGE)
        return 0
    if rest:
        raise InstallError(f"setup takes no options, and got {rest[0]}")
    setup(root)
    closed = closed_folder(root)
    if closed:
        say(f"note: {_closed_line(closed)}; what needs no database works here")
    say(f"ready: {program(root, 'halfsecond')} --help")
    return 0


def _demo_command(rest: list[str], root: Path) -> int:
    closed = closed_folder(root)
    if closed and "HALFSECOND_DATABASE" not in os.environ and not {"-h", "--help"} & set(rest):
        raise InstallError(_closed_line(closed))
    setup(root)
    command = [str(program(root, "halfsecond")), "demo", *rest]
    if os.name != "nt":
        os.execv(command[0], command)  # noqa: S606 - no shell is wanted: signals go straight to the program
    return subprocess.run(command, check=False).returncode


def _test_command(rest: list[str], root: Path) -> int:
    from deploy import checks  # noqa: PLC0415 - only this command wants it

    if {"-h", "--help"} & set(rest):
        print(USAGE)
        return 0
    closed = closed_folder(root)
    if closed and "HALFSECOND_TEST_DATABASE" not in os.environ:
        raise InstallError(_closed_line(closed))
    setup(root, test=True)
    return checks.run(rest, root)


COMMANDS = {"setup": _setup_command, "demo": _demo_command, "test": _test_command}


def setup(root: Path, *, test: bool = False) -> None:
    """Make ``.venv`` what the lock files say, or leave it alone where it is that already.

    Parameters
    ----------
    root
        The folder of ``pyproject.toml``.
    test
        Whether the packages of the tests are wanted too.

    Raises
    ------
    InstallError
        Where Python's venv module, the folder, the disk or the package index is not as needed.
    """
    wanted = [kind for kind in LOCKS if test or kind == "main"]
    missing = next((name for name in ["pyproject.toml", *LOCKS.values()] if not (root / name).is_file()), None)
    if missing:
        raise InstallError(f"{root / missing} is missing: clone the repository again")
    forget_compiled(root)
    if all(is_current(root, kind) for kind in wanted):
        return
    with one_at_a_time(root):
        wanted = [kind for kind in wanted if not is_current(root, kind)]
        if wanted and running_as_root():
            os.umask(0o022)  # the embedded database's unprivileged user must be able to read what is installed
        for kind in wanted:
            make_venv(root)
            install(root, kind)


def forget_compiled(root: Path) -> None:
    """Delete what numba has kept of a package once any of its compiled modules is newer.

    Numba itself looks at the file of a function alone, not at those whose functions it has drawn into it.
    """
    for folder in root.glob("*/__pycache__"):
        kept = list(folder.glob("*.nb[ic]"))
        sources = (file for file in folder.parent.glob("*.py") if kept and b"numba" in file.read_bytes())
        newest = max((file.stat().st_mtime for file in sources), default=0.0)
        with contextlib.suppress(OSError):  # another setup does the same, or they are not ours
            if any(file.stat().st_mtime < newest for file in kept):
                for file in kept:
                    file.unlink()


def is_current(root: Path, kind: str) -> bool:
    """Whether one installation is finished, made from today's lock files, and still where and what it was."""
    try:
        finished = (root / ".venv" / f"halfsecond-{kind}.stamp").read_text(encoding="utf-8")
    except OSError:
        return False
    return finished == _stamp(root, kind) and _is_whole(root)


def _stamp(root: Path, kind: str) -> str:
    files = [root / LOCKS[kind], root / "pyproject.toml"]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()


def _place(root: Path) -> str:
    """Return what a virtual environment depends on outside itself: its own path, and the Python that it borrows."""
    return f"{root / '.venv'}\n{program(root, 'python').resolve()}\n"


def _is_whole(root: Path) -> bool:
    """Whether ``.venv`` has a Python and nothing in it was broken off; one that is not our making is believed."""
    mark = root / ".venv" / "halfsecond-place"
    unmoved = not mark.exists() or mark.read_text(encoding="utf-8") == _place(root)
    return unmoved and program(root, "python").exists() and not (root / ".venv" / "halfsecond-begun").exists()


def make_venv(root: Path) -> None:
    """Make an empty ``.venv`` unless a whole one stands; one broken off, moved or without its Python is made anew."""
    venv = root / ".venv"
    if _is_whole(root):
        return
    for module in ("venv", "ensurepip"):
        if importlib.util.find_spec(module) is None:
            remedy = "install it (on Debian: apt install python3-venv), then type the same again"
            raise InstallError(f"this Python has no {module} module: {remedy}")
    with _written(venv, "clone the project into a folder of your own"):
        if venv.exists():
            shutil.rmtree(venv)
        venv.mkdir()
        (venv / "halfsecond-begun").touch()
    watch([sys.executable, "-I", "-m", "venv", str(venv)], "making .venv", root)
    (venv / "halfsecond-place").write_text(_place(root), encoding="utf-8")


def install(root: Path, kind: str) -> None:
    """Install what one lock file names, and this project, into ``.venv``; leave a stamp when both are done."""
    venv, lock = root / ".venv", root / LOCKS[kind]
    begun, finished = venv / "halfsecond-begun", venv / f"halfsecond-{kind}.stamp"
    with _written(venv, f"remove {venv}, or be the user who made it"):
        begun.touch()
        finished.unlink(missing_ok=True)
    pip = [
        str(program(root, "python")),
        "-I",
        "-m",
        "pip",
        "install",
        "--no-input",
        "--no-deps",
        "--progress-bar",
        "off",
    ]
    total = len(re.findall(r"^[\w.-]+==", lock.read_text(encoding="utf-8"), re.MULTILINE))
    # Not compiling saves a third of the time; Python compiles what is used when it is first imported.
    watch([*pip, "--no-compile", "--require-hashes", "-r", str(lock)], "packages", root, total)
    watch([*pip, "--no-build-isolation", "-e", str(root)], "this project", root)
    finished.write_text(_stamp(root, kind), encoding="utf-8")
    begun.unlink()


@contextlib.contextmanager
def _written(folder: Path, remedy: str) -> Iterator[None]:
    """Turn a folder that cannot be written into one line with a remedy."""
    try:
        yield
    except OSError as error:
        raise InstallError(f"{folder} cannot be written ({error.strerror}): {remedy}") from None


@contextlib.contextmanager
def one_at_a_time(root: Path) -> Iterator[None]:
    """Hold other setups of the same clone back; where the system or the file store has no such lock, go on without."""
    try:
        import fcntl  # noqa: PLC0415 - not on Windows
    except ImportError:
        yield
        return
    with (root / "pyproject.toml").open("rb") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("another setup is at work in this folder: waiting for it")
            fcntl.flock(held, fcntl.LOCK_EX)
        except OSError:
            say("note: this file store cannot lock; run one setup at a time")
        yield


def closed_folder(root: Path) -> Path | None:
    """Return the first folder above a root's installation that other users may not pass through, if there is one.

    PostgreSQL refuses to run as root, so it runs as an unprivileged user, who must reach its programs.
    """
    if not running_as_root():
        return None
    return next((f for f in [*reversed(root.parents), root] if not f.stat().st_mode & stat.S_IXOTH), None)


def _closed_line(folder: Path) -> str:
    return (
        f"{folder} is closed to other users, and the embedded database never runs as root: "
        "clone the project elsewhere (for example under /opt), or work as a plain user"
    )
