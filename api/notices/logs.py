"""What the libraries of the program that sends have to say, one line each, and the same line once a minute at most."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from api.notices.delivery import NotTakenError

LOGGERS = ("api.notices", "apprise", "procrastinate", "psycopg.pool")
SAME_S = 60.0
LONGEST = 300


class OneLine(logging.Handler):
    """Prints warnings and errors to standard error; a try that a service did not take is noted elsewhere."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: dict[str, float] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record, unless the same line was printed lately."""
        error = record.exc_info[1] if record.exc_info else None
        if isinstance(error, NotTakenError):
            return
        line = _first(record.getMessage())
        if error is not None:
            line = f"{line.rstrip(': ')}: {_first(str(error)) or type(error).__name__}"
        now = time.monotonic()
        if now - self.said.get(line, -SAME_S) < SAME_S:
            return
        self.said = {known: at for known, at in self.said.items() if now - at < SAME_S} | {line: now}
        print(f"notices: {line[:LONGEST]}", file=sys.stderr, flush=True)


def _first(text: str) -> str:
    return " ".join(text.strip().splitlines()[:1])


@contextmanager
def plainly() -> Iterator[None]:
    """Have the libraries say what they have to say in single lines while the block runs."""
    handler = OneLine()
    loggers = [logging.getLogger(name) for name in LOGGERS]
    before = [each.propagate for each in loggers]
    for each in loggers:
        each.addHandler(handler)
        each.propagate = False
    try:
        yield
    finally:
        for each, was in zip(loggers, before, strict=True):
            each.removeHandler(handler)
            each.propagate = was
