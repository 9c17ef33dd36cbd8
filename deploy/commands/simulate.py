"""``halfsecond simulate``: write the files of a simulated fleet, and the truth behind it."""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from deploy import one_start
from ingest.errors import BadInputError


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the command."""
    parser = subparsers.add_parser(
        "simulate",
        help="write the files of a simulated fleet",
        description="Simulates a fleet of heat pumps through a winter, some of which get a fault, and writes units, "
        "starts, rests, events, visits, forecasts and truth .ndjson. The same numbers give the same bytes.",
        epilog="example:\n  halfsecond simulate --units 40 --days 120 --seed 1 --out winter/\n"
        "  halfsecond simulate start --volts 220 --pressure 200 --plot start.svg",
    )
    # Needed for a fleet, but not for one start: asked for by hand.
    parser.add_argument("--units", type=int, help="how many units")
    parser.add_argument("--days", type=int, help="how many days")
    parser.add_argument("--seed", type=int, help="0 or more; the same seed gives the same fleet")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder to write to; made if missing")
    parser.add_argument("--start", default="2024-10-01", metavar="DATE", help="first day (default %(default)s)")
    parser.add_argument(
        "--faulty", type=float, default=0.25, metavar="SHARE", help="share that gets a fault (default %(default)s)"
    )
    parser.add_argument(
        "--twins", action="store_true", help="also write what the sound twin of each start would have taken (Parquet)"
    )
    parser.set_defaults(run=run)
    one_start.add(parser.add_subparsers(title="instead of a fleet", metavar="start", dest="instead"))


def run(args: argparse.Namespace) -> int:
    """Simulate and write; say how many records of each kind there are."""
    missing = [f"--{name}" for name in ("units", "days", "seed", "out") if getattr(args, name) is None]
    if missing:
        raise BadInputError(f"{missing[0]}: missing; a fleet needs --units, --days, --seed and --out")
    from tqdm import tqdm  # noqa: PLC0415 - heavy imports wait until the command runs

    from simulator import files, fleet, twin_files  # noqa: PLC0415 - likewise

    day = _day(args.start)
    with ExitStack() as stack:
        beside = stack.enter_context(twin_files.writing(args.out)) if args.twins else None
        parts = fleet.batches(args.units, args.days, args.seed, day, faulty=args.faulty, beside=beside)
        bar = stack.enter_context(tqdm(total=max(args.units, 0), unit="unit", desc="simulate", delay=0.5))
        count = files.write_all(parts, args.out, bar.update)
    print(f"{args.out}: " + ", ".join(f"{number} {name}" for name, number in count.items()))
    return 0


def _day(text: str) -> datetime:
    try:
        day = datetime.fromisoformat(text)
    except ValueError:
        raise BadInputError(f"--start: {text!r} is not a date; write it like 2024-10-01") from None
    if not 2000 <= day.year <= 2099:
        raise BadInputError(f"--start: {text} is not within the years 2000 to 2099")
    return day.replace(tzinfo=UTC)
