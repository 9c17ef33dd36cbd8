"""How good the verdicts are on simulated fleets whose truth is known: ``python -m analytics.scorecard FOLDER...``.

Each folder is one that ``halfsecond simulate --twins`` wrote. The verdicts are judged beside rivals and an oracle
that knows what the sound unit would have done; the rivals' thresholds are set on other folders (``--train``). The
tables are printed as Markdown; every figure is of the folders given and of nothing else.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from tqdm import tqdm

from analytics.scoring import methods, plots, rows
from analytics.scoring.run import all_of
from ingest.errors import BadInputError, UnavailableError

BEGIN, END = "<!-- scorecard: begin -->", "<!-- scorecard: end -->"
EXAMPLE = """example:
  halfsecond simulate --units 340 --days 400 --seed 51 --out a --twins
  halfsecond simulate --units 340 --days 400 --seed 41 --out b --twins
  python -m analytics.scorecard b --train a --into analytics/VERDICTS.md"""


def into(file: Path, lines: Sequence[str]) -> None:
    """Put lines between the markers of a Markdown file.

    Raises
    ------
    BadInputError
        Where the file has no markers.
    """
    text = file.read_text(encoding="utf-8")
    if BEGIN not in text or END not in text.split(BEGIN, 1)[1]:
        raise BadInputError(f"{file}: has no lines {BEGIN} and {END} to write between; add them")
    before, rest = text.split(BEGIN, 1)
    after = rest.split(END, 1)[1]
    file.write_text(f"{before}{BEGIN}\n" + "\n".join(lines) + f"\n{END}{after}", encoding="utf-8")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m analytics.scorecard",
        description=(__doc__ or "").split("\n\n", 1)[1],
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folders", nargs="+", type=Path, metavar="FOLDER", help="fleets to judge on")
    parser.add_argument("--train", nargs="+", type=Path, required=True, metavar="FOLDER", help="to set thresholds on")
    parser.add_argument("--into", type=Path, metavar="FILE", help="put tables between its markers, pictures beside it")
    parser.add_argument("--processes", type=int, default=2, help="folders worked on at once (default %(default)s)")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the scorecard of the folders given."""
    args = _parser().parse_args(arguments)
    try:
        print("\n".join(run(args.folders, args.train, args.into, args.processes)))
    except (BadInputError, UnavailableError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


def run(
    folders: Sequence[Path], training: Sequence[Path], document: Path | None = None, processes: int = 2
) -> list[str]:
    """Judge folders and return the tables; with a document, write them and the pictures."""
    with tqdm(total=len(folders) + len(training), desc="fleets", file=sys.stderr, disable=None) as bar:
        trained = all_of(training, processes, bar.update)
        results = all_of(folders, processes, bar.update, [r.sample for r in trained])
    methods.with_oracle(results, trained)
    every = methods.methods(results, trained)
    lines = [
        *rows.table(rows.rows(results, trained, every)),
        "",
        *methods.side_by_side(results, every),
    ]
    if document is not None:
        into(document, lines)
        plots.draw(results, every, document.parent)
    return lines


if __name__ == "__main__":
    raise SystemExit(main())
