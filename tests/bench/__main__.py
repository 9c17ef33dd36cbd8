"""Run the benchmarks and write what they print to ``RESULTS.md``: ``python -m tests.bench [NAME...]``.

Each ``bench_NAME.py`` has a ``main()`` that prints a line or a few, every one with a ratio to a named peer measured in
the same run. With names only those are run, and the others' lines stay as they are.
"""

from __future__ import annotations

import os
import platform
import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
RESULTS = HERE / "RESULTS.md"
_HEAD = """# Benchmarks

Written by `python -m tests.bench`. Speeds are those of the machine that it ran on; read the ratios, each to a named
peer measured in the same run.
"""
_SECTION = re.compile(r"^## (\w+)\n(.*?)(?=^## |\Z)", re.MULTILINE | re.DOTALL)


def run(name: str) -> str:
    """Return what a benchmark prints, in a process of its own."""
    command = [sys.executable, "-m", f"tests.bench.bench_{name}"]
    done = subprocess.run(command, cwd=HERE.parents[1], stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout.strip()


def section(name: str, printed: str) -> str:
    """Return a benchmark's part of the page."""
    machine = f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
    return "\n".join([f"## {name}", f"{machine}.", "", *(f"- {line}" for line in printed.splitlines() if line)]) + "\n"


def page(before: str, fresh: dict[str, str]) -> str:
    """Return the page with fresh sections in the place of those before, by name."""
    kept = {name: f"## {name}\n{body.rstrip()}\n" for name, body in _SECTION.findall(before)}
    sections = kept | {name: section(name, printed) for name, printed in fresh.items()}
    return "\n".join([_HEAD, *(sections[name] for name in sorted(sections))])


def main(names: list[str]) -> int:
    """Run the named benchmarks, or all, and write the page; return the exit code."""
    there = sorted(path.stem.removeprefix("bench_") for path in HERE.glob("bench_*.py"))
    unknown = [name for name in names if name not in there]
    if unknown:
        print(f"tests.bench: there is no benchmark {unknown[0]!r}; there are {', '.join(there)}", file=sys.stderr)
        return 2
    for name in names or there:
        printed = run(name)
        print(printed, flush=True)
        before = RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else ""
        RESULTS.write_text(page(before, {name: printed}), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
