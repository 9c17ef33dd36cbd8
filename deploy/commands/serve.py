"""``halfsecond serve``: the long-running programs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command."""
    parser = subparsers.add_parser(
        "serve",
        help="the long-running programs",
        description=(
            "Runs intake (broker to database), watch (starts to verdicts), pages (what people and programs see) or\n"
            "notices (what people are told), or all of them with a database and a broker of their own where the\n"
            "settings name none.\n"
            "Settings come from the environment; see deploy/OPERATING.md."
        ),
        epilog=(
            "example:\n  halfsecond serve all --data /srv/halfsecond\n"
            "  HALFSECOND_DATABASE=postgresql://... HALFSECOND_BROKER=mqtt://broker:1883 halfsecond serve intake"
        ),
    )
    parser.add_argument(
        "program",
        nargs="?",
        choices=["intake", "watch", "pages", "notices", "all"],
        default="all",
        help="which one (default: all)",
    )
    parser.add_argument("--data", metavar="DIR", type=Path, help="folder of the embedded database and broker")
    parser.add_argument("--listen", metavar="HOST:PORT", help="where the pages listen (default: 127.0.0.1:8021)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run what was asked for until it is told to stop."""
    from msgspec.structs import replace  # noqa: PLC0415 - help must not wait for it

    from deploy import serve, settings  # noqa: PLC0415

    chosen = settings.read()
    if arguments.data is not None:
        chosen = replace(chosen, data=arguments.data)
    if arguments.listen is not None:
        settings.split_address(arguments.listen, "--listen")
        chosen = replace(chosen, listen=arguments.listen)
    return serve.run_all(chosen) if arguments.program == "all" else serve.run_one(arguments.program, chosen)
