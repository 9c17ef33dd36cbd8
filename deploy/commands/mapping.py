"""``halfsecond mapping try``: what a mapping makes of a sample of another logger's data."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.errors import BadInputError

if TYPE_CHECKING:
    from ingest.mapping import Source

_TEXT = "read what loggers send that do not speak the contract, by a file that says what stands where"


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's type is private
    """Register the command and its verb."""
    parser = subparsers.add_parser(
        "mapping",
        help=_TEXT,
        description=f"{_TEXT[0].upper()}{_TEXT[1:]}.",
        epilog="example:\n  halfsecond mapping try gateway.toml < sample.json",
    )
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="try", parser_class=type(parser))
    trying = verbs.add_parser(
        "try",
        help="show the records that a sample gives",
        description="Reads a sample, a payload or a file as the logger writes it, from standard input and prints the "
        "records of the contract that the mapping makes of it, one JSON object a line. Nothing is stored.",
        epilog="example:\n  halfsecond mapping try gateway.toml --topic plant/d-0001/starts < sample.json",
    )
    trying.add_argument("mapping", type=Path, metavar="FILE", help="the mapping, a .toml file")
    trying.add_argument("--topic", metavar="T", help="the topic that the sample came under: chooses table and device")
    trying.add_argument("--kind", metavar="KIND", help="the table to use: starts, rests, events or status")
    trying.set_defaults(run=_try)


def _try(arguments: argparse.Namespace) -> int:
    from datetime import UTC, datetime  # noqa: PLC0415 - every command registers its options, few need more

    import msgspec  # noqa: PLC0415 - likewise

    from ingest import mapped, mapping  # noqa: PLC0415 - likewise
    from ingest.decode import decode  # noqa: PLC0415 - likewise

    source, device = _chosen(mapping.read(arguments.mapping), arguments)
    encode = msgspec.json.Encoder().encode
    now, bad = datetime.now(UTC), 0
    for number, record, fault in mapped.from_file(source, sys.stdin.buffer, "sample"):
        faults = [fault] if record is None else []
        if record is not None:
            beside: dict[str, Any] = {} if device is None else {"device": device}
            if source.unit is not None:
                beside = {"unit": record.get("unit")}
            own = {name: value for name, value in record.items() if name != "unit"}
            good, unfit = decode(source.kind, encode(own), now)
            faults += [item.detail for item in unfit]
            for one, extra in good:
                told = {n: getattr(one, n) for n in one.__struct_fields__ if getattr(one, n) is not None}
                sys.stdout.write(encode(beside | told | (msgspec.json.decode(extra) if extra else {})).decode() + "\n")
        for text in faults:
            bad += 1
            print(f"halfsecond: sample, record {number}: {text}", file=sys.stderr)
    return 2 if bad else 0


def _chosen(sources: tuple[Source, ...], arguments: argparse.Namespace) -> tuple[Source, str | None]:
    """Return the table that the options choose, and the device that the topic names."""
    from ingest import mapping  # noqa: PLC0415 - likewise

    if arguments.topic:
        found = mapping.find(sources, arguments.topic)
        if found is None:
            known = ", ".join(source.topic for source in sources if source.topic) or "none"
            raise BadInputError(f"--topic: {arguments.topic} fits no table of {arguments.mapping}; topics are: {known}")
        return found
    some = [source for source in sources if arguments.kind in {None, source.kind}]
    if not some:
        raise BadInputError(f"--kind: {arguments.mapping} has no table [{arguments.kind}]")
    if len(some) > 1:
        raise BadInputError(
            f"{arguments.mapping} has {len(some)} tables that may be meant; name one by --topic or --kind"
        )
    return some[0], None
