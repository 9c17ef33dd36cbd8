"""Kills intake, watch, notices, broker and database by SIGKILL at random moments under load; counts rows.

    python -m tests.ingest.kill_rounds [--rounds N] [--rate STARTS_A_SECOND] [--intakes N] [--again-s S] [--seed S]

One start a message. A start counts as published once the broker has acknowledged it. As the wire asks of a logger, the
publisher sends again what it sent in the last seconds before its connection broke (--again-s 0: it does not): a broker
that is killed has forgotten what it had not yet written to its disk. One unit locks out; at the end it must be down and
no other. What is seen goes to standard output.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

from deploy.settings import Settings
from ingest.database import connect
from tests.ingest.intake_helpers import count, encode, register, start
from tests.trials.parts import Parts, eventually
from tests.trials.publisher import Publisher

DEVICES = 20
WORKERS = ("watch", "notices")
APART_S = (0.2, 4.0)
NEAR_S = 10.0
"""What was killed so long before or after is named beside starts that are missing."""
# Each commit must outlive the kill of the server; what outlives a power failure is not asked here.
DURABLE = {"fsync": "off", "synchronous_commit": "on"}


@dataclass
class Seen:
    """What a run came to: kills by part, starts acknowledged to the publisher, rows, and rows that are there twice.

    ``behind`` counts units that the watch has not judged as their starts are.
    """

    kills: Counter[str] = field(default_factory=Counter)
    published: int = 0
    sent_again: int = 0
    rows: int = 0
    doubles: int = 0
    quarantined: int = 0
    behind: int = 0
    missing: list[str] = field(default_factory=list)
    """Runs of numbers of starts that are not stored, of which devices, and what was killed about then."""


def rounds(
    folder: Path,
    number: int,
    *,
    rate: float = 1000.0,
    intakes: int = 1,
    again_s: float = 5.0,
    seed: int = 1,
    apart_s: tuple[float, float] = APART_S,
    say: Callable[[str], None] = lambda _: None,
) -> Seen:
    """Kill one part a round, at a random moment, and return what was seen at the end.

    Parameters
    ----------
    folder
        For database and broker; other users may enter it.
    number
        Of rounds.
    rate
        Starts published a second.
    intakes
        How many share the messages; one takes them alone.
    again_s
        What was sent so long before a connection broke is sent again.
    apart_s
        Least and longest time from one round to the next.
    """
    seen, luck = Seen(), random.Random(seed)
    with ExitStack() as cleanup:
        parts = Parts(folder, cleanup, options=DURABLE, settings=Settings(share="intake" if intakes > 1 else None))
        with connect(parts.server.conninfo) as connection:
            register(connection, units=DEVICES)
        names = [f"intake {n + 1}" for n in range(intakes)]
        for name in (*names, *WORKERS):
            parts.begin(name)
        parts.wait_for_intakes(intakes)
        began = time.monotonic()
        publisher = Publisher(parts.broker.address, rate, _message, again_s)
        killed: list[tuple[float, str]] = []
        for turn in range(number):
            time.sleep(luck.uniform(*apart_s))
            part = luck.choice(["broker", "database", *WORKERS, *names])
            parts.kill(part)
            killed.append((time.monotonic(), part))
            time.sleep(luck.uniform(0.0, 0.5))
            parts.begin(part)
            parts.revive([*names, *WORKERS])
            seen.kills[part.split()[0]] += 1
            say(f"round {turn + 1}: {part}; {len(publisher.acknowledged)} published")
        publisher.end()
        # A part that had only just begun when another was killed may have ended since.
        parts.revive([*names, *WORKERS])
        seen.published, seen.sent_again = len(publisher.acknowledged), publisher.sent_again
        with connect(parts.server.conninfo) as connection:
            # What piled up is taken in, as slowly as a busy machine may: over is only when nothing more comes.
            before = -1
            while before < seen.rows < seen.published or before < 0:
                before = seen.rows
                eventually(lambda: count(connection, "start") >= seen.published, 30)
                seen.rows = count(connection, "start")
            stored = {seq for (seq,) in connection.execute("select seq from start")}
            seen.missing = missing(publisher.acknowledged, stored, killed, began)
            if seen.missing:
                say(parts.last_words())
            distinct = connection.execute("select count(distinct (unit_id, seq)) from start").fetchone()
            seen.doubles = seen.rows - int(distinct[0]) if distinct else -1
            seen.quarantined = count(connection, "quarantine")
            eventually(lambda: not _behind(connection), 120)
            seen.behind = _behind(connection)
    return seen


def _message(number: int) -> tuple[str, bytes]:
    """Return a start; one device reports locked ones only, and is down from its third on."""
    device = 1 + number % DEVICES
    told = {"outcome": "locked"} if device == DEVICES else {}
    return f"halfsecond/1/d-{device:04d}/starts", encode(start(number, **told))


def missing(
    acknowledged: dict[int, float], stored: set[int], killed: list[tuple[float, str]], began: float
) -> list[str]:
    """Tell of the starts that were acknowledged and are not stored, a line for each run of numbers.

    Parameters
    ----------
    acknowledged : number of a start to when the broker acknowledged it
    killed : when each part was killed, and which
    began : what times are counted from; all by one clock, seconds
    """
    numbers = acknowledged.keys() - stored
    firsts = sorted(n for n in numbers if n - 1 not in numbers)
    lasts = sorted(n for n in numbers if n + 1 not in numbers)
    lines = []
    for first, last in zip(firsts, lasts, strict=True):
        times = [acknowledged[n] for n in range(first, last + 1)]
        near = [
            f"{part} killed at {at - began:.1f} s"
            for at, part in killed
            if min(times) - NEAR_S <= at <= max(times) + NEAR_S
        ]
        lines.append(
            f"{first} to {last} of {min(DEVICES, last - first + 1)} devices, acknowledged from "
            f"{min(times) - began:.1f} to {max(times) - began:.1f} s: {', '.join(near) or 'nothing killed about then'}"
        )
    return lines


def _behind(connection: psycopg.Connection) -> int:
    """Return how many units have no verdict, or one that their starts do not bear out: the last of them is down."""
    query = "select count(*) from standing where (standing = 'down') = (unit_id = (select max(unit_id) from unit))"
    row = connection.execute(query).fetchone()
    return DEVICES - int(row[0]) if row else DEVICES


def main() -> int:
    """Run the rounds and say whether rows stored = starts published."""
    parser = argparse.ArgumentParser(prog="python -m tests.ingest.kill_rounds")
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--intakes", type=int, default=1)
    parser.add_argument("--again-s", type=float, default=5.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="halfsecond-rounds-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        began = time.monotonic()
        seen = rounds(
            folder,
            given.rounds,
            rate=given.rate,
            intakes=given.intakes,
            again_s=given.again_s,
            seed=given.seed,
            say=lambda line: print(line, flush=True),
        )
    print(f"{seen} in {time.monotonic() - began:.0f} s")
    return 0 if seen.rows == seen.published and not seen.doubles and not seen.quarantined and not seen.behind else 1


if __name__ == "__main__":
    raise SystemExit(main())
