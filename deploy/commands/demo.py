"""``halfsecond demo``: everything on this machine, with a simulated winter."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

LARGEST_FLEET = 2_000
LONGEST_WINTER_DAYS = 365


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command."""
    parser = subparsers.add_parser(
        "demo",
        help="everything on this machine, with a simulated winter",
        description=(
            "Starts a database, a broker, intake, watch and pages on this machine, and loggers that publish a\n"
            "simulated winter: most of it at once, its last ten days at --speed. Prints the address of the pages.\n"
            "Every run starts anew. Ctrl-C ends it and leaves nothing running."
        ),
        epilog="example:\n  halfsecond demo --units 40 --days 120 --speed 3600",
    )
    parser.add_argument(
        "--units", metavar="N", type=_whole(1, LARGEST_FLEET), default=40, help="heat pumps (default: 40)"
    )
    parser.add_argument(
        "--days", metavar="D", type=_whole(2, LONGEST_WINTER_DAYS), default=120, help="days of winter (default: 120)"
    )
    parser.add_argument(
        "--speed", metavar="X", type=_speed, default=3600.0, help="seconds of winter a second (default: 3600)"
    )
    parser.add_argument("--seed", metavar="S", type=_whole(0, 2**32 - 1), default=26, help="which winter (default: 26)")
    parser.add_argument(
        "--port", metavar="P", type=_whole(1, 65535), help="port of the pages (default: 8021, or a free one)"
    )
    parser.add_argument(
        "--data", metavar="DIR", type=Path, default=Path(".halfsecond/demo"), help="folder for its data (%(default)s)"
    )
    parser.add_argument(
        "--broker",
        choices=["auto", "mosquitto", "iotcore"],
        help="which broker (default: mosquitto if it is installed)",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the demo until it is told to stop."""
    from msgspec.structs import replace  # noqa: PLC0415 - help must not wait for it

    from deploy import demo, settings  # noqa: PLC0415

    chosen = settings.read()
    if arguments.broker:
        chosen = replace(chosen, broker_kind=arguments.broker)
    order = demo.Demo(
        units=arguments.units,
        days=arguments.days,
        speed=arguments.speed,
        seed=arguments.seed,
        data=arguments.data,
        port=arguments.port,
    )
    return demo.run(order, chosen)


def _whole(low: int, high: int) -> Any:  # noqa: ANN401 - argparse takes any callable
    def parse(text: str) -> int:
        if not text.isdecimal() or not low <= int(text) <= high:
            raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from {low} to {high}")
        return int(text)

    return parse


def _speed(text: str) -> float:
    try:
        speed = float(text)
    except ValueError:
        speed = -1.0
    if not 1 <= speed <= 1_000_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number from 1 to 1000000")
    return speed
