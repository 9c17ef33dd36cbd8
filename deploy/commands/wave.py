"""``halfsecond wave``: recorded starts to figures."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command."""
    parser = subparsers.add_parser(
        "wave",
        help="reduce recorded waves of starts to figures",
        description=(
            "Reads sampled current (and voltage) of starts and prints one JSON object a start: outcome, run-up time,\n"
            "peak and running current, watts, power factor, line voltage and sag, closing angle. null is what the\n"
            "record cannot tell. A FILE is CSV (time, current, voltage columns with the unit in their names), NPZ\n"
            "(such arrays, or rate_hz instead of time), or JSON (wave objects of the wire contract, or starts with\n"
            "one, one a line); each also with .gz."
        ),
        epilog="example:\n  halfsecond wave start.npz\n  halfsecond wave --hz 50 recorded/*.csv\n"
        "  halfsecond wave start.csv --plot start.svg",
    )
    parser.add_argument("files", nargs="+", metavar="FILE", type=Path, help="recorded starts")
    parser.add_argument("--hz", type=int, choices=[50, 60], help="mains frequency (default: as the file says or shows)")
    parser.add_argument("--plot", type=Path, metavar="OUT.svg", help="draw the first start that can be reduced")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the figures of every start that can be reduced, then what could not."""
    import sys  # noqa: PLC0415 - help must not wait for the imports below

    import msgspec  # noqa: PLC0415
    from tqdm import tqdm  # noqa: PLC0415

    from ingest import wavefile  # noqa: PLC0415
    from ingest.errors import BadInputError  # noqa: PLC0415
    from ingest.wave import described, reduce  # noqa: PLC0415

    problems: list[str] = []
    drawn = False
    for path in tqdm(arguments.files, delay=1.0, unit="file", file=sys.stderr, disable=None):
        try:
            recordings, rejected = wavefile.read(path, arguments.hz)
        except BadInputError as error:
            problems.append(str(error))
            continue
        problems += [str(one) for one in rejected]
        for one in recordings:
            try:
                figures = reduce(one.current_a, one.voltage_v, one.rate_hz, one.hz)
            except ValueError as error:
                problems.append(f"{path}{f', line {one.line}' if one.line else ''}: {error}")
                continue
            place = {"file": str(path)} if one.line is None else {"file": str(path), "line": one.line}
            if arguments.plot is not None and not drawn:
                from api.startpictures import recorded  # noqa: PLC0415 - slow, and not always wanted

                line = f", line {one.line}" if one.line else ""
                write_picture(arguments.plot, recorded(f"{path.name}{line}", one, figures))
                drawn = True
            told = place | described(figures, one.sent) | {"rate_hz": one.rate_hz, "hz": one.hz}
            sys.stdout.buffer.write(msgspec.json.encode(told) + b"\n")
    sys.stdout.flush()
    for line in problems[:5]:
        print(f"halfsecond wave: {line}", file=sys.stderr)
    if len(problems) > 5:
        print(f"halfsecond wave: and {len(problems) - 5} more that could not be used", file=sys.stderr)
    return 2 if problems else 0


def write_picture(path: Path, drawn: dict[str, Any]) -> None:
    """Write a picture as SVG.

    Raises
    ------
    BadInputError
        The name does not end in .svg.
    UnavailableError
        The file cannot be written.
    """
    from api.startchart import svg  # noqa: PLC0415 - slow, and not always wanted
    from ingest.errors import BadInputError, UnavailableError  # noqa: PLC0415

    if path.suffix.lower() != ".svg":
        raise BadInputError(f"--plot: {path} does not end in .svg; name it so")
    try:
        path.write_text(svg(drawn), encoding="utf-8")
    except OSError as error:
        raise UnavailableError(f"--plot: {path}: cannot write ({error.strerror})") from error
