"""``halfsecond load``: files of records, or another logger's power log, into the database or into NDJSON."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deploy import loading, target
from deploy.loading import Piece, Tally

if TYPE_CHECKING:
    from deploy.loading import Batch
    from ingest.mapping import Source
    from ingest.shapes import FileKind

_KINDS = {
    "units": "nameplates of units, and which device reports for them",
    "starts": "energisings of compressors; those of units that are not known make the units",
    "rests": "pressures after a stop",
    "events": "lockouts, power cycles and resets that the control reported",
    "visits": "work done, with readings and parts",
    "forecasts": "hourly outdoor temperature of sites",
}
_SERIES = ("starts", "rests", "events")
_SHOWN = 5


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the command and one parser for each kind of record."""
    parser = subparsers.add_parser(
        "load",
        help="load units, starts, rests, events, visits, forecasts or a power log",
        description="Loads files of records (NDJSON, CSV or Parquet by their ending; .gz may follow) into the "
        "database. Loading the same again changes nothing; a load of starts, rests or events that was broken off goes "
        "on where it was. A record that cannot be used is named and left out.",
        epilog="example:\n  halfsecond load starts january.ndjson february.csv.gz --data winter",
    )
    kinds = parser.add_subparsers(dest="kind", required=True, metavar="KIND", parser_class=type(parser))
    for kind, text in _KINDS.items():
        one = kinds.add_parser(
            kind,
            help=text,
            description=f"Loads {kind}: {text}.",
            epilog=f"example:\n  halfsecond load {kind} {kind}.csv",
        )
        one.add_argument("files", nargs="+", type=Path, metavar="FILE", help=".ndjson, .csv or .parquet, also with .gz")
        if kind in _SERIES:
            one.add_argument(
                "--mapping",
                type=Path,
                metavar="F",
                help="the files are another logger's; F is the .toml that maps them",
            )
        _add_common(one)
        one.set_defaults(run=_records)
    _add_power_log(kinds)


def _add_power_log(kinds: Any) -> None:  # noqa: ANN401 - argparse's type is private
    parser = kinds.add_parser(
        "power-log",
        help="a power series of outdoor units, one row a minute or faster",
        description="Finds starts in a log of the outdoor unit's power: crossings of the threshold upward, with off "
        "time, run time and running power. What such a log cannot tell stays empty.",
        epilog="example:\n  halfsecond load power-log log.csv.gz --unit case --at day,time --at-format '%m/%d %H:%M' "
        "--year 2022 --zone UTC\n      --power outdoor_unit_w --outdoor oat_c --out starts.ndjson",
    )
    parser.add_argument("files", nargs=1, type=Path, metavar="FILE", help=".csv or .parquet, also with .gz")
    parser.add_argument("--unit", required=True, metavar="COL", help="column that names the unit")
    parser.add_argument("--at", required=True, metavar="COL[,COL]", help="column of the time, or two: date and time")
    parser.add_argument("--at-format", metavar="F", help="strptime format of the time where it is not ISO 8601")
    parser.add_argument("--year", type=int, metavar="Y", help="year of the first row where the format has none")
    parser.add_argument("--zone", metavar="Z", help="IANA time zone of times without offset, such as America/Denver")
    parser.add_argument("--power", required=True, metavar="COL", help="column of the power in watts")
    parser.add_argument("--outdoor", metavar="COL", help="column of the outdoor temperature in °C")
    parser.add_argument(
        "--threshold", type=float, default=400.0, metavar="W", help="running at and above this power (default 400 W)"
    )
    _add_common(parser)
    parser.set_defaults(run=_power_log)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out", type=Path, metavar="F", help="write what would be stored to F as NDJSON, and store nothing"
    )
    target.add_options(parser)


def _records(arguments: argparse.Namespace) -> int:
    from ingest import files  # noqa: PLC0415 - every command registers its options, few need the numerics

    kind: FileKind = arguments.kind
    source = _mapped(kind, arguments.mapping) if getattr(arguments, "mapping", None) else None
    files.check(arguments.files, any_ending=source is not None)
    beside = arguments.mapping.read_bytes() if source is not None else b""
    resumable = kind in _SERIES and arguments.out is None

    def batches(path: Path, skip: int) -> Iterator[Batch]:
        return files.batches(kind, [path], progress=True, source=source, skip=skip)

    pieces = [
        Piece(str(path), files.digest(path, beside) if resumable else None, partial(batches, path))
        for path in arguments.files
    ]
    return _take(kind, pieces, arguments)


def _mapped(kind: FileKind, path: Path) -> Source:
    """Return the table of a mapping that serves files of this kind."""
    from ingest import mapping  # noqa: PLC0415 - likewise
    from ingest.errors import BadInputError  # noqa: PLC0415 - likewise

    some = [source for source in mapping.read(path) if source.kind == kind and source.unit is not None]
    if len(some) != 1:
        there = "no table" if not some else f"{len(some)} tables"
        raise BadInputError(
            f"--mapping: {path} has {there} [{kind}] with unit, the field that names the unit; give one"
        )
    return some[0]


def _power_log(arguments: argparse.Namespace) -> int:
    from ingest import files, powerlog  # noqa: PLC0415 - likewise

    path = arguments.files[0]
    log, ragged = files.read_log(path)
    starts, rejected = powerlog.starts(
        log,
        arguments.unit,
        arguments.at.split(","),
        arguments.power,
        outdoor=arguments.outdoor,
        threshold_w=arguments.threshold,
        at_format=arguments.at_format,
        year=arguments.year,
        zone=arguments.zone,
        path=str(path),
    )
    found = (starts, [*ragged, *rejected])
    return _take("starts", [Piece(str(path), None, lambda _: iter([found]))], arguments)


def _take(kind: FileKind, pieces: Sequence[Piece], arguments: argparse.Namespace) -> int:
    """Store or write all batches; say what came of it; return the exit code."""
    from ingest import keys  # noqa: PLC0415 - likewise

    tally = Tally()
    if arguments.out is None:
        loading.store_all(kind, pieces, arguments, tally)
        done, place = "stored", ""
    else:
        loading.write_all(kind, pieces, arguments, tally)
        done, place = "wrote", f" to {arguments.out}"
    if tally.fresh:
        more = f" and {len(tally.fresh) - _SHOWN:,} more" if len(tally.fresh) > _SHOWN else ""
        print(f"{_count(len(tally.fresh), 'unit')} new: {', '.join(tally.fresh[:_SHOWN])}{more}")
    whose = "" if kind == "units" else f" of {_count(len(tally.names), 'site' if kind == 'forecasts' else 'unit')}"
    print(
        f"{done} {_count(tally.rows, kind.removesuffix('s'))}{whose}{place} "
        f"({_count(tally.doubles, 'double')}, {tally.left_out:,} left out)"
    )
    if tally.others:
        print(f"halfsecond: {keys.taken(tally.others, 'doubles', tally.first_other)}", file=sys.stderr)
    for line in tally.bad:
        print(f"halfsecond: {line}", file=sys.stderr)
    if tally.left_out > len(tally.bad):
        print(f"halfsecond: and {tally.left_out - len(tally.bad):,} more records left out", file=sys.stderr)
    return 2 if tally.left_out or tally.others else 0


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
