"""``halfsecond load``: files of records, or another logger's power log, into the database or into NDJSON."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deploy import target

if TYPE_CHECKING:
    import pandas as pd
    import psycopg

    from ingest.files import Rejected
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
        "database. Loading the same again changes nothing. A record that cannot be used is named and left out.",
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


@dataclass
class _Tally:
    """What has come of the records so far."""

    rows: int = 0
    doubles: int = 0
    names: set[str] = field(default_factory=set)
    fresh: list[str] = field(default_factory=list)
    bad: list[Rejected] = field(default_factory=list)


def _records(arguments: argparse.Namespace) -> int:
    from ingest import files  # noqa: PLC0415 - every command registers its options, few need the numerics

    kind: FileKind = arguments.kind
    source = _mapped(kind, arguments.mapping) if getattr(arguments, "mapping", None) else None
    files.check(arguments.files, any_ending=source is not None)
    return _take(kind, files.batches(kind, arguments.files, progress=True, source=source), arguments)


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
    return _take("starts", iter([(starts, [*ragged, *rejected])]), arguments)


def _take(kind: FileKind, batches: Iterator[tuple[pd.DataFrame, list[Rejected]]], arguments: argparse.Namespace) -> int:
    """Store or write all batches; say what came of it; return the exit code."""
    from ingest.files import summary  # noqa: PLC0415 - likewise

    tally = _Tally()
    if arguments.out is None:
        _store(kind, batches, arguments, tally)
        done, place = "stored", ""
    else:
        _write(kind, batches, arguments, tally)
        done, place = "wrote", f" to {arguments.out}"
    if tally.fresh:
        more = f" and {len(tally.fresh) - _SHOWN:,} more" if len(tally.fresh) > _SHOWN else ""
        print(f"{_count(len(tally.fresh), 'unit')} new: {', '.join(tally.fresh[:_SHOWN])}{more}")
    whose = "" if kind == "units" else f" of {_count(len(tally.names), 'site' if kind == 'forecasts' else 'unit')}"
    print(
        f"{done} {_count(tally.rows, kind.removesuffix('s'))}{whose}{place} "
        f"({_count(tally.doubles, 'double')}, {len(tally.bad):,} left out)"
    )
    for line in summary(tally.bad):
        print(f"halfsecond: {line}", file=sys.stderr)
    return 2 if tally.bad else 0


def _store(
    kind: FileKind,
    batches: Iterator[tuple[pd.DataFrame, list[Rejected]]],
    arguments: argparse.Namespace,
    tally: _Tally,
) -> None:
    import psycopg  # noqa: PLC0415 - likewise

    from ingest import database, store  # noqa: PLC0415 - likewise
    from ingest.errors import BadInputError, UnavailableError  # noqa: PLC0415 - likewise

    puts = {
        "units": store.put_units,
        "starts": store.put_starts,
        "rests": store.put_rests,
        "events": store.put_events,
        "visits": store.put_visits,
        "forecasts": store.put_forecasts,
    }
    conninfo = target.conninfo(arguments)
    database.migrate(conninfo)
    try:
        with database.connect(conninfo) as connection:
            account_id = target.account(connection, arguments)
            for batch, rejected in batches:
                tally.bad.extend(rejected)
                frame, strange = _in_time(kind, batch)
                tally.bad.extend(_hold(connection, account_id, kind, strange))
                if not len(frame):
                    continue
                names = _names(kind, frame)
                if kind != "forecasts":
                    known = store.unit_ids(connection, account_id, names)
                    tally.fresh.extend(name for name in names if name not in known)
                stored = puts[kind](connection, account_id, frame)
                tally.names.update(names)
                tally.rows += stored.new + (stored.doubles if kind == "units" else 0)
                tally.doubles += 0 if kind == "units" else stored.doubles
    except psycopg.OperationalError as error:
        reason = str(error).splitlines()[0]
        raise UnavailableError(
            f"the database went away ({reason}); load the same again when it is back: what is stored stays"
        ) from None
    except psycopg.DataError as error:
        raise BadInputError(f"{kind}: the database refuses a value ({error.diag.message_primary}); mend it") from None


def _write(
    kind: FileKind,
    batches: Iterator[tuple[pd.DataFrame, list[Rejected]]],
    arguments: argparse.Namespace,
    tally: _Tally,
) -> None:
    from ingest import writing  # noqa: PLC0415 - likewise

    with writing.opened_for_lines(arguments.out, arguments.files) as out:
        seen = writing.Keys(kind)
        for batch, rejected in batches:
            tally.bad.extend(rejected)
            fresh = seen.fresh(batch)
            frame = batch[fresh]
            writing.append(kind, frame, out)
            tally.rows += len(frame)
            tally.doubles += len(batch) - len(frame)
            tally.names.update(_names(kind, frame))


def _in_time(kind: FileKind, frame: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part what the tables would refuse, a time before 2000 or more than a day ahead, from the rest."""
    from datetime import UTC, datetime  # noqa: PLC0415 - likewise

    from ingest.clock import allowed  # noqa: PLC0415 - likewise

    if kind not in {"starts", "rests", "events"}:
        return frame, frame.iloc[:0]
    right = frame["at"].between(*allowed(datetime.now(UTC)))
    return frame[right], frame[~right]


def _hold(connection: psycopg.Connection, account_id: int, kind: FileKind, strange: pd.DataFrame) -> Iterator[Rejected]:
    """Put records of an impossible time into quarantine, and say so."""
    from datetime import UTC, datetime  # noqa: PLC0415 - likewise

    from ingest import held, ndjson  # noqa: PLC0415 - likewise
    from ingest.complaint import Rejected  # noqa: PLC0415 - likewise

    now = datetime.now(UTC)
    why = "at: more than a day ahead"
    held.put(
        connection,
        [
            held.Held(account_id, None, f"file/{kind}", line.rstrip(), "clock_out_of_range", why, now)
            for line in ndjson.lines(kind, strange)
        ],
    )
    for unit, at in strange[["unit", "at"]].itertuples(index=False) if len(strange) else ():
        text = f"{at.isoformat()} is more than a day ahead; it is in quarantine: mend the clock or the date"
        yield Rejected(f"{kind} of {unit}", 0, "at", text)


def _names(kind: FileKind, frame: pd.DataFrame) -> Sequence[str]:
    return [str(name) for name in frame["site" if kind == "forecasts" else "unit"].unique()]


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
