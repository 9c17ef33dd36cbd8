"""``halfsecond replay``: what would this have told us last winter, from files."""

from __future__ import annotations

import argparse
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from ingest.errors import BadInputError
from ingest.shapes import FileKind

KINDS: tuple[FileKind, ...] = ("starts", "units", "rests", "events", "visits", "forecasts")


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = subparsers.add_parser(
        "replay",
        help="verdicts for each past date from files, as if spoken on that date",
        description="Say for each unit and date what the program would have said then, knowing nothing later. "
        "Needs no database. Writes one JSON object a line.",
        epilog="example:\n  halfsecond replay --starts starts.ndjson --units units.csv --visits visits.ndjson "
        "--every 7d --out verdicts.ndjson",
    )
    for kind in KINDS:
        parser.add_argument(
            f"--{kind}",
            nargs="+",
            type=Path,
            required=kind == "starts",
            default=[],
            metavar="FILE",
            help=f"{kind}: NDJSON, CSV or Parquet, also .gz",
        )
    parser.add_argument("--from", dest="first", metavar="DATE", help="first date to write, such as 2031-01-14")
    parser.add_argument("--to", dest="last", metavar="DATE", help="last date to write")
    parser.add_argument("--every", default="1d", metavar="STEP", help="step between dates: 1d (default), 7d, 6h")
    parser.add_argument("--out", required=True, metavar="FILE", help="where to write; - for standard output")
    parser.set_defaults(run=run)


def _date(option: str, text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise BadInputError(
            f"{option}: '{text}' is not a date; write it like 2031-01-14 or 2031-01-14T12:00Z"
        ) from None
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _step(text: str) -> timedelta:
    match = re.fullmatch(r"([1-9][0-9]{0,3})([dh])", text)
    if match is None:
        raise BadInputError(f"--every: '{text}' is not a step; write it like 1d, 7d or 6h")
    return timedelta(**{"days" if match[2] == "d" else "hours": int(match[1])})


def run(arguments: argparse.Namespace) -> int:
    """Read the files, write the verdicts; 2 if any record had to be left out."""
    first, last, every = _date("--from", arguments.first), _date("--to", arguments.last), _step(arguments.every)
    if first and last and first > last:
        raise BadInputError("--from: is after --to, so no date is left; swap them")
    from analytics.replay import dates  # noqa: PLC0415 - slow to load, and wanted only here
    from analytics.tables import Tables, fleet  # noqa: PLC0415 - slow to load, and wanted only here
    from ingest import files  # noqa: PLC0415 - slow to load, and wanted only here

    named: dict[FileKind, list[Path]] = {kind: getattr(arguments, kind) for kind in KINDS}
    for paths in named.values():
        files.check(paths)
    frames, told, rejected = {}, [], []
    for kind, paths in named.items():
        if paths:
            frames[kind], taken, bad = files.read_once(kind, paths, progress=True)
            told += taken
            rejected += bad
    whole = fleet(Tables(**frames))
    instants = dates(whole, first, last, every)
    written = 0
    if arguments.out == "-":
        written = _write(sys.stdout.buffer, whole, instants)
    else:
        try:
            with Path(arguments.out).open("wb") as out:
                written = _write(out, whole, instants)
        except OSError as error:
            raise BadInputError(f"--out: cannot write {arguments.out}: {error.strerror}") from None
    print(f"wrote {written:,} verdicts of {len(instants):,} dates", file=sys.stderr)
    told += files.summary(rejected)
    for line in told:
        print(line, file=sys.stderr)
    return 2 if told else 0


def _write(out: BinaryIO, whole: object, instants: list[int]) -> int:
    from tqdm import tqdm  # noqa: PLC0415 - slow to load, and wanted only here

    from analytics.replay import ranked  # noqa: PLC0415 - slow to load, and wanted only here
    from analytics.tables import Fleet  # noqa: PLC0415 - slow to load, and wanted only here
    from analytics.verdict import encode  # noqa: PLC0415 - slow to load, and wanted only here

    assert isinstance(whole, Fleet)
    count = 0
    with tqdm(total=len(instants), unit="date", desc="verdicts", file=sys.stderr, disable=None) as bar:
        for _, verdicts in ranked(whole, instants):
            out.writelines(encode(one.verdict) + b"\n" for one in verdicts)
            count += len(verdicts)
            bar.update()
    return count
