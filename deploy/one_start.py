"""``halfsecond simulate start``: one start as it is and with a start capacitor, as figures and as a picture."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

KINDS = ("scroll", "rotary", "reciprocating")
NOTE = (
    "A comparison, not an order: capacitor and relay are those that the equipment maker lists for the unit. "
    "A start capacitor does not mend a weak run capacitor, a poor supply or a stiff compressor."
)


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command below ``simulate``."""
    parser = subparsers.add_parser(
        "start",
        help="one start of one machine, as it is and with start assist",
        description="Integrates one start of a machine scaled to a nameplate, as it is and with a start capacitor on a "
        "relay, prints the figures of both as JSON and draws them. " + NOTE,
        epilog="example:\n  halfsecond simulate start --volts 220 --pressure 200 --plot start.svg\n"
        "  halfsecond simulate start --volts 220 --wave start.ndjson && halfsecond wave start.ndjson",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    for name, unit, text, default in (
        ("--volts", "V", "voltage at rest behind line and transformer", 230.0),
        ("--pressure", "KPA", "pressure difference left", 0.0),
        ("--source", "OHM", "resistance of line and transformer", 0.075),
        ("--close", "DEG", "point on the voltage wave at closing", 0.0),
        ("--start-cap", "UF", "start capacitor of the assisted start", None),
        ("--run-cap", "UF", "run capacitor as measured, if not the nameplate's", None),
        ("--tons", "TONS", "capacity", 3.0),
        ("--lra", "A", "locked-rotor current of the nameplate", None),
        ("--plate-run-cap", "UF", "run capacitor of the nameplate", None),
    ):
        shown = "" if default is None else " (default %(default)s)"
        parser.add_argument(name, type=float, metavar=unit, default=default, help=text + shown)
    parser.add_argument(
        "--compressor",
        choices=["scroll", "rotary", "reciprocating"],
        default="reciprocating",
        help="default %(default)s",
    )
    parser.add_argument("--plot", type=Path, metavar="OUT.svg", help="draw both starts")
    parser.add_argument(
        "--wave", type=Path, metavar="OUT.ndjson", help="write both as a logger samples them, a wave of the wire a line"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Integrate, print and draw."""
    import math  # noqa: PLC0415 - help must not wait for the imports below
    import sys  # noqa: PLC0415

    import msgspec  # noqa: PLC0415

    from deploy.commands.wave import write_picture  # noqa: PLC0415
    from ingest.errors import BadInputError  # noqa: PLC0415
    from simulator import assist, motor  # noqa: PLC0415
    from simulator.compressor import KIT_UF_PER_RUN_UF  # noqa: PLC0415
    from simulator.machine import StartGear  # noqa: PLC0415
    from simulator.supply import X_OVER_R  # noqa: PLC0415

    ranges = {"volts": (100, 300), "pressure": (0, 4000), "source": (0, 5), "close": (0, 180), "start_cap": (1, 2000)}
    for name, (low, high) in (ranges | {"run_cap": (1, 200)}).items():
        value = getattr(args, name)
        if value is not None and not low <= value <= high:
            raise BadInputError(f"--{name.replace('_', '-')}: {value:g} is outside {low} to {high}")
    plate = assist.Nameplate(
        tons=args.tons, lra_a=args.lra, volts=230.0, run_cap_uf=args.plate_run_cap, compressor=args.compressor
    )
    scaled = assist.scaled(plate)
    start_cap_uf = args.start_cap or float(scaled.machine.run_cap_uf) * KIT_UF_PER_RUN_UF
    gears = (StartGear(), assist.kit(scaled.machine, start_cap_uf))
    machine = scaled.machine.but(
        run_cap_uf=args.run_cap or scaled.machine.run_cap_uf,
        r_source_ohm=args.source,
        x_source_ohm=X_OVER_R * args.source,
    )
    met = (machine, args.volts, args.pressure, args.close)
    found = [motor.start(*met, gear=gear) for gear in gears]
    told: list[dict[str, Any]] = [
        {
            "run_up_s": _number(seen.run_up_s[0], 4),
            "stalled": math.isnan(seen.run_up_s[0]),
            "peak_a": _number(seen.locked_a[0], 1),
            "line_min_v": _number(seen.line_min_v[0], 1),
            "start_gear_out_s": _number(seen.switched_s[0], 4),
            "capacitor_peak_v": _number(seen.capacitor_peak_v[0], 0),
        }
        for seen in found
    ]
    told[1]["start_cap_uf"] = round(start_cap_uf, 1)
    answer = {"as_it_is": told[0], "with_start_capacitor": told[1], "assumptions": scaled.assumptions, "note": NOTE}
    sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(answer), indent=2) + b"\n")
    if args.wave is not None:
        _write_waves(args.wave, met, gears)
    if args.plot is not None:
        from api import startpictures  # noqa: PLC0415 - likewise

        shown_s = min(max(seen["run_up_s"] or 0.6 for seen in told) + 0.15, 1.0)
        plain, assisted = (motor.trace(*met, gear=gear, duration_s=shown_s) for gear in gears)
        head = f"One start at {args.volts:g} V with {args.pressure:g} kPa left{', which stalls' * told[0]['stalled']}"
        under = (
            f"{args.tons:g} tons, {args.compressor}, run capacitor {float(machine.run_cap_uf):.0f} µF,"
            f" closed at {args.close:g}°; assist: {start_cap_uf:.0f} µF on a relay"
        )
        marks = [(seen["run_up_s"] or math.nan, f"running after {seen['run_up_s'] or 0:.3f} s") for seen in told]
        drawn = startpictures.simulated(head, under, plain, assisted, float(machine.hz), (marks[0], marks[1]))
        write_picture(args.plot, drawn)
    return 0


def _write_waves(path: Path, met: tuple[Any, ...], gears: tuple[Any, ...]) -> None:
    """Write a wave for each start gear, with a logger's noise, the same one each time.

    Raises
    ------
    BadInputError
        The file's name is not one that waves are read from again.
    UnavailableError
        The file cannot be written.
    """
    import msgspec  # noqa: PLC0415 - as above
    import numpy as np  # noqa: PLC0415

    from ingest.errors import BadInputError, UnavailableError  # noqa: PLC0415
    from simulator import waves  # noqa: PLC0415

    if path.suffix not in {".ndjson", ".jsonl"}:
        raise BadInputError(f"--wave: {path} does not end in .ndjson or .jsonl; name it so")
    machine, *conditions = met
    rng = np.random.default_rng(1)
    made = [waves.wave(*waves.sampled(machine, gear, *conditions), rng) for gear in gears]
    try:
        path.write_bytes(msgspec.json.Encoder().encode_lines(made))
    except OSError as error:
        raise UnavailableError(f"--wave: {path}: cannot write ({error.strerror}); name another file") from error


def _number(value: float, digits: int) -> float | None:
    return None if value != value else round(float(value), digits)  # noqa: PLR0124 - NaN is not itself
