"""Every check and test in one run: what the machine lacks, the static checks, then the tests. Standard library only."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from deploy.installing import program, running_as_root, say

PROGRAMS = {"browser": "chromium", "mosquitto": "mosquitto"}
"""The mark of the tests that need a program, and the program, which is also the Debian package's name."""

FAST_LEAVES_OUT = ("browser", "stack", "slow")
STATIC = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy": ["mypy"],
    "import contract": ["lint-imports"],
}


def run(arguments: list[str], root: Path) -> int:
    """Run the static checks, then the tests; return 0 where all passed, else the first failure's exit code.

    Parameters
    ----------
    arguments
        ``--fast`` leaves out what needs a browser, a database or more than ten seconds; the rest is given to pytest.
    root
        The folder of ``pyproject.toml``.
    """
    # A script that runs this in the background leaves Ctrl-C ignored, and every child would inherit that.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    fast = "--fast" in arguments
    rest = [a for a in arguments if a != "--fast"]
    left_out = list(FAST_LEAVES_OUT) if fast else []
    installed = fast or install_programs()
    if fast:
        say(f"--fast leaves out the tests marked {', '.join(left_out)}")
    for mark in missing_marks():
        if mark not in left_out:
            left_out.append(mark)
            say(
                f"{PROGRAMS[mark]} is not installed: the tests marked {mark} are left out "
                f"(to have them: sudo apt-get install {PROGRAMS[mark]})"
            )
    failed = static_checks(root)
    if not installed:
        failed.append("apt-get")
    if failed:
        say(f"failed so far: {', '.join(failed)}; the tests run all the same")
    expression = " and ".join(f"not {mark}" for mark in left_out)
    # Many tests wait for a database, a broker or a browser: two at a time halve the wall time even on two busy cores.
    spread = [] if any(a.startswith(("-n", "--numprocesses")) for a in rest) else ["-n", "2", "--dist", "loadfile"]
    chosen = ["-m", expression] if expression else []
    command = [str(program(root, "python")), "-m", "pytest", "-q", *spread, *chosen, *rest]
    code = subprocess.run(command, cwd=root, check=False).returncode
    if code < 0:
        say(f"the tests were ended from outside by signal {-code}")
        return 1
    return code or bool(failed)


def missing_marks() -> list[str]:
    """Return the marks of the tests whose program this machine lacks."""
    # A plain user's PATH often lacks /usr/sbin, where Debian keeps servers.
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"])
    return [mark for mark, name in PROGRAMS.items() if not shutil.which(name, path=path)]


def install_programs() -> bool:
    """As root on Debian, install the programs that the tests want; return whether none is wanting for a failed try."""
    wanted = [PROGRAMS[mark] for mark in missing_marks()]
    if not wanted or not running_as_root() or not shutil.which("apt-get"):
        return True
    say(f"installing the Debian packages that the tests want: {' '.join(wanted)}")
    if "mosquitto" in wanted and Path("/run/systemd/system").is_dir():
        say("note: the package mosquitto starts a service of its own on port 1883, which the tests do not use")
    apt = ["apt-get", "-qq", "-o", "DPkg::Lock::Timeout=120"]
    for command in ([*apt, "update"], [*apt, "install", "-y", "--no-install-recommends", *wanted]):
        done = subprocess.run(
            command,
            env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        if done.returncode:
            print(*done.stdout.splitlines()[-5:], sep="\n", file=sys.stderr)
            say(f"'{' '.join(command)}' failed: see to the network and apt's sources, then type the same again")
            return False
    return True


def static_checks(root: Path) -> list[str]:
    """Run the checks that run no code of the project, side by side; print what failed, and return its names."""
    running = {
        name: subprocess.Popen(
            [str(program(root, command[0])), *command[1:]],
            cwd=root,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        for name, command in STATIC.items()
    }
    failed = []
    for name, child in running.items():
        output, _ = child.communicate()
        if child.returncode:
            failed.append(name)
            print(output, flush=True)
        say(f"{name}: {'FAILED' if child.returncode else 'passed'}")
    return failed
