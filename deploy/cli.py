"""The command line: ``halfsecond``."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
from collections.abc import Sequence
from typing import NoReturn

from deploy import commands
from ingest.errors import HalfsecondError

EXIT_BAD = 2
EXIT_INTERRUPTED = 130


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaint is one line, and which keeps the layout of its examples."""

    def __init__(self, **options: object) -> None:
        options.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**options)  # type: ignore[arg-type]

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where help stands, in one line, and exit with 2."""
        print(f"{self.prog}: {message}; see '{self.prog} --help'", file=sys.stderr)
        raise SystemExit(EXIT_BAD)


def parser() -> Parser:
    """Return the parser with every subcommand."""
    top = Parser(
        prog="halfsecond",
        description="Watches how heat-pump compressors start: which will need start assist or service, and why.",
        epilog="example:\n  halfsecond replay --starts starts.ndjson --out verdicts.ndjson",
    )
    subparsers = top.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=Parser)
    for module in sorted(m.name for m in pkgutil.iter_modules(commands.__path__)):
        importlib.import_module(f"deploy.commands.{module}").add(subparsers)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code: 0 done, 2 bad use or bad input, 130 interrupted."""
    try:
        arguments = parser().parse_args(argv)
        return int(arguments.run(arguments))
    except HalfsecondError as error:
        print(f"halfsecond: {error}", file=sys.stderr)
        return EXIT_BAD
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return 0


if __name__ == "__main__":
    raise SystemExit(main())
