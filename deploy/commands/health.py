"""``halfsecond health``: whether a program that runs here does its work; for the health checks of what runs it."""

from __future__ import annotations

import argparse
import sys
from typing import Any


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command."""
    parser = subparsers.add_parser(
        "health",
        help="whether a program that runs here does its work",
        description=(
            "Asks intake (at HALFSECOND_METRICS_PORT) or the pages (at HALFSECOND_LISTEN) whether they are ready, and\n"
            "of the watch whether changed days wait no longer than a quarter of an hour, and of the notices whether\n"
            "they looked at every account in the last five minutes. Exit code 0: well; 1: not, and one line says why."
        ),
        epilog="example:\n  halfsecond health intake",
    )
    parser.add_argument("program", choices=["intake", "watch", "pages", "notices"])
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Ask, say what is wrong, and return 0 or 1."""
    from deploy import health, settings  # noqa: PLC0415 - help must not wait for it

    wrong = health.problem(arguments.program, settings.read())
    if wrong is not None:
        print(f"{arguments.program}: {wrong}", file=sys.stderr)
    return 0 if wrong is None else 1
