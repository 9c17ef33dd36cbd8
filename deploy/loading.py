"""Storing or writing what files hold, a batch at a time: progress, resumption, what is left out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from deploy import target

if TYPE_CHECKING:
    import pandas as pd
    import psycopg

    from ingest.files import Rejected
    from ingest.shapes import FileKind

    Batch = tuple[pd.DataFrame, list[Rejected]]

SHOWN = 5
"""So many records that are left out are named; the others are counted."""


class Piece(NamedTuple):
    """A file: its name, the digest under which its load is resumed (None: never), its batches after the first few."""

    name: str
    digest: str | None
    batches: Callable[[int], Iterator[Batch]]


@dataclass
class Tally:
    """What has come of the records so far.

    ``others`` are the doubles that say something else than what stands; of files it is known where the first is.
    """

    rows: int = 0
    doubles: int = 0
    others: int = 0
    first_other: str = ""
    left_out: int = 0
    names: set[str] = field(default_factory=set)
    fresh: list[str] = field(default_factory=list)
    bad: list[Rejected] = field(default_factory=list)


def note(tally: Tally, rejected: Sequence[Rejected]) -> None:
    """Count records that are left out, and keep the first few to be named."""
    tally.left_out += len(rejected)
    tally.bad.extend(rejected[: SHOWN - len(tally.bad)])


def store_all(kind: FileKind, pieces: Sequence[Piece], arguments: argparse.Namespace, tally: Tally) -> None:
    """Store every batch of every file; a file whose load was broken off goes on after the last batch that was stored.

    Raises
    ------
    UnavailableError
        The database cannot be reached, or went away meanwhile.
    BadInputError
        The database refuses a value that no check foresaw.
    """
    import psycopg  # noqa: PLC0415 - every command registers its options, few need the driver

    from ingest import database  # noqa: PLC0415 - likewise
    from ingest.errors import BadInputError, UnavailableError  # noqa: PLC0415 - likewise

    conninfo = target.conninfo(arguments)
    database.migrate(conninfo)
    try:
        with database.connect(conninfo) as connection:
            account_id = target.account(connection, arguments)
            for piece in pieces:
                _store_piece(connection, account_id, kind, piece, tally)
    except psycopg.OperationalError as error:
        reason = str(error).splitlines()[0]
        raise UnavailableError(
            f"the database went away ({reason}); load the same again when it is back: it goes on where it was"
        ) from None
    except psycopg.DataError as error:
        raise BadInputError(f"{kind}: the database refuses a value ({error.diag.message_primary}); mend it") from None


def _store_piece(connection: psycopg.Connection, account_id: int, kind: FileKind, piece: Piece, tally: Tally) -> None:
    from ingest.ahead import ahead  # noqa: PLC0415 - likewise
    from ingest.store import marks  # noqa: PLC0415 - likewise

    skip = marks.stored(connection, account_id, kind, piece.digest) if piece.digest else 0
    if skip:
        print(
            f"halfsecond: {piece.name}: goes on where a load was broken off; what that one left out is not named again",
            file=sys.stderr,
        )
    for number, (batch, rejected) in enumerate(ahead(piece.batches(skip)), 1):
        if number <= skip:
            continue
        note(tally, rejected)
        _store_batch(connection, account_id, kind, batch, tally)
        if piece.digest:
            marks.mark(connection, account_id, kind, piece.digest, number)
    if piece.digest:
        marks.unmark(connection, account_id, kind, piece.digest)


def _store_batch(
    connection: psycopg.Connection, account_id: int, kind: FileKind, batch: pd.DataFrame, tally: Tally
) -> None:
    from ingest import store  # noqa: PLC0415 - likewise

    puts = {
        "units": store.put_units,
        "starts": store.put_starts,
        "rests": store.put_rests,
        "events": store.put_events,
        "visits": store.put_visits,
        "forecasts": store.put_forecasts,
    }
    frame, strange = _in_time(kind, batch)
    note(tally, list(_hold(connection, account_id, kind, strange)))
    if not len(frame):
        return
    names = _names(kind, frame)
    if kind != "forecasts":
        known = store.unit_ids(connection, account_id, names)
        tally.fresh.extend(name for name in names if name not in known)

    def differing(count: int) -> None:
        tally.others += count

    more = {"differing": differing} if kind in {"starts", "rests", "events"} else {}
    stored = puts[kind](connection, account_id, frame, **more)
    tally.names.update(names)
    tally.rows += stored.new + (stored.doubles if kind == "units" else 0)
    tally.doubles += 0 if kind == "units" else stored.doubles


def write_all(kind: FileKind, pieces: Sequence[Piece], arguments: argparse.Namespace, tally: Tally) -> None:
    """Write every batch of every file as NDJSON, each key once; nothing is stored."""
    from ingest import keys, writing  # noqa: PLC0415 - likewise

    seen = keys.Keys(kind)
    with writing.opened_for_lines(arguments.out, arguments.files) as out:
        for piece in pieces:
            for batch, rejected in piece.batches(0):
                note(tally, rejected)
                frame = batch[seen.fresh(batch, piece.name)]
                writing.append(kind, frame, out)
                tally.rows += len(frame)
                tally.doubles += len(batch) - len(frame)
                tally.names.update(_names(kind, frame))
    tally.others, tally.first_other = seen.others, seen.first


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
