"""A byte fuzzer for intake: ``python -m tests.ingest.fuzz [PAYLOADS] [--seed S]``, with a database of its own.

Payloads of every kind, ours and a mapped logger's, are damaged at random: bits, slices, tokens, whole payloads spliced.
Each must be judged without an exception and within a second; what comes out must be storable; and through intake and
the database every one must be stored, a double, a status, or in quarantine with a reason. Memory must not grow.
"""

from __future__ import annotations

import argparse
import base64
import json
import math
import random
import resource
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec
import psycopg
from tqdm import tqdm

from ingest import mapping
from ingest.decode import Bad, Good, decode
from ingest.intake import Message, take_in
from ingest.mapped import decoded
from ingest.wire import KINDS

NOW = datetime(2024, 1, 15, 18, tzinfo=UTC)
LONGEST_S = 1.0
BATCH = 1_000
MAPPING = """
[starts]
topic = "plant/{device}/done"
records = "/data"
missing = [-999, ""]
[starts.fields]
seq = "/n"
at = { from = "/t", as = "unix_ms" }
run_up_s = { from = "/ms", unit = "ms" }
outdoor_c = { from = "/oat", unit = "degF" }
mode = { from = "/m", words = { H = "heating" } }
outcome = [{ is = "locked", from = "/trip", equals = true }, { is = "ran", from = "/ms", below = 3000 }]
[starts.extra]
rh = "/rh"
[[events]]
topic = "csv/{device}"
format = "csv"
[events.fields]
seq = "n"
at = { from = ["day", "time"], as = "%d.%m.%Y %H:%M:%S", zone = "UTC" }
event = { value = "reset" }
"""
TOKENS = (
    b"null", b"true", b"false", b"NaN", b"-Infinity", b"1e999", b"-0", b"0.1e-400", b"9" * 30, b"9" * 5_000,
    b"9223372036854775807", b"9223372036854775808", b'"\\u0000"', b'"\\ud800"', b'"\\ud83d\\ude00"', b'""', b"[]",
    b"{}", b"[[[[[[[[", b'{"a":{"a":{"a":', b'"ran"', b'"locked"', b'"1970-01-01T00:00:00Z"',
    b'"9999-12-31T23:59:59Z"',
    b'"0001-01-01T00:00:00+23:59"', b'"2024-01-14T24:00:00Z"', b'"2024-02-30T00:00:00Z"', b"\xff", b"\x00", b"\xc3\x28",
    b"\r\n", b'","', b":", b",", b"]", b"}", b'"seq"', b'"at"', b'"wave"', b";", b"31.02.2024",
)  # fmt: skip


@dataclass
class Judged:
    """What came of the payloads so far."""

    payloads: int = 0
    good: int = 0
    bad: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0


def seeds() -> list[tuple[str, bytes]]:
    """Return kinds of topic and payloads that are right: what the damage is done to."""
    start = {
        "seq": 7, "at": "2024-01-14T12:00:00.250Z", "outcome": "ran", "run_up_s": 0.21, "peak_a": 61.5, "run_pf": -0.9,
        "line_v": 241.0, "outdoor_c": -12.5, "suction_kpa": 412.25, "mode": "heating", "stage": 1, "retry": 0,
    }  # fmt: skip
    rms_a = [0.0] * 400 + [60.0] * 1_200 + [12.0] * 3_600
    counts = [round(a * 141.4 * math.sin(2 * math.pi * 60 * n / 4_000)) for n, a in enumerate(rms_a)]
    packed = b"".join(count.to_bytes(2, "little", signed=True) for count in counts)
    wave = {"rate_hz": 4000, "hz": 60, "current": base64.b64encode(packed).decode(), "current_a": 0.01}
    rest = {
        "seq": 3,
        "at": "2024-01-14T12:00:00Z",
        "t_s": [0, 10, 60.5],
        "suction_kpa": [400, None, 700],
        "outdoor_c": 1,
    }
    event = {"seq": 1, "at": "2024-01-14T12:00:00+05:30", "event": "lockout", "detail": "third – try\n"}
    status = {"online": True, "firmware": "2.4", "clock_ok": True, "sent": 7, "at": "2024-01-15T17:59:59Z"}
    other = {"n": 7, "t": 1705233600250, "ms": 210, "oat": 11.3, "m": "H", "trip": False, "rh": {"x": [1]}}
    plain: list[tuple[str, Any]] = [
        ("starts", start), ("starts", start | {"note": {"deep": [1, {"a": None}]}}),
        ("starts", [start | {"seq": n} for n in range(12)]), ("starts", {"seq": 1, "at": start["at"], "wave": wave}),
        ("rests", rest), ("rests", [rest, rest | {"seq": 4}]), ("events", event), ("events", [event] * 3),
        ("status", status), ("status", {"online": False}), ("mapped", {"data": [other, other | {"n": 8}]}),
    ]  # fmt: skip
    table = b"n;day;time\n1;14.01.2024;12:00:00\n2;14.01.2024;13:00:00\n".replace(b";", b",")
    return [(kind, json.dumps(item).encode()) for kind, item in plain] + [("csv", table)]


def payloads(seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield damaged payloads without end, the same for the same seed."""
    chosen = random.Random(seed)
    corpus = seeds()
    weights = [1 if b"wave" in payload else 20 for _, payload in corpus]
    damages: tuple[Callable[[random.Random, bytearray], None], ...] = (_flip, _cut, _double, _token, _token, _swap)
    while True:
        kind, whole = chosen.choices(corpus, weights)[0]
        payload = bytearray(whole)
        for _ in range(chosen.choice((0, 1, 1, 1, 2, 3, 8))):
            chosen.choice(damages)(chosen, payload)
        if chosen.random() < 0.05:
            other = chosen.choice(corpus)[1]
            payload[chosen.randrange(len(payload) + 1) :] = other[chosen.randrange(len(other)) :]
        if chosen.random() < 0.02:
            kind = chosen.choice((*KINDS, "mapped", "csv"))
        yield kind, bytes(payload)


def _flip(chosen: random.Random, payload: bytearray) -> None:
    if payload:
        payload[chosen.randrange(len(payload))] ^= 1 << chosen.randrange(8)


def _cut(chosen: random.Random, payload: bytearray) -> None:
    first = chosen.randrange(len(payload) + 1)
    del payload[first : first + chosen.choice((1, 1, 4, 32, len(payload)))]


def _double(chosen: random.Random, payload: bytearray) -> None:
    first = chosen.randrange(len(payload) + 1)
    payload[first:first] = payload[first : first + chosen.choice((1, 3, 20, 200))] * chosen.choice((1, 1, 2, 50))


def _token(chosen: random.Random, payload: bytearray) -> None:
    """Put a token in the place of a value, or anywhere."""
    colons = [n for n, byte in enumerate(payload[:2_000]) if byte == ord(":")]
    first = chosen.choice(colons) + 1 if colons and chosen.random() < 0.7 else chosen.randrange(len(payload) + 1)
    ends = [end for end in (payload.find(mark, first) for mark in b",}]") if end > 0]
    payload[first : min(ends) if ends else first + 1] = chosen.choice(TOKENS)


def _swap(chosen: random.Random, payload: bytearray) -> None:
    a, b = chosen.randrange(len(payload) + 1), chosen.randrange(len(payload) + 1)
    payload[a : a + 8], payload[b : b + 8] = payload[b : b + 8], payload[a : a + 8]


def sources() -> tuple[mapping.Source, ...]:
    """Return the mapped logger's tables."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "m.toml"
        path.write_text(MAPPING, encoding="utf-8")
        return mapping.read(path)


def judge(kind: str, payload: bytes, known: tuple[mapping.Source, ...], told: Judged) -> None:
    """Decode one payload and see that what comes out keeps its promises; raise AssertionError where it does not."""
    began = time.process_time()
    if kind in KINDS:
        good, bad = decode(kind, payload, NOW)  # type: ignore[arg-type]
        nothing = payload.strip(b" \t\r\n")[:1] == b"["
    else:
        source = known[0] if kind == "mapped" else known[1]
        good, bad = decoded(source, payload, NOW)
        nothing = True
    told.slowest_s = max(told.slowest_s, time.process_time() - began)
    assert good or bad or nothing, (kind, payload)
    _check(kind, payload, good, bad)
    told.payloads += 1
    told.good += len(good)
    told.bad.update(item.reason for item in bad)


def _check(kind: str, payload: bytes, good: list[Good], bad: list[Bad]) -> None:
    for record, extra in good:
        again = msgspec.convert(msgspec.to_builtins(record), type(record))
        assert again == record, (kind, payload)
        if extra is not None:
            json.loads(extra, parse_constant=_refuse)
            assert b"\\u0000" not in extra, (kind, payload)
    for item in bad:
        item.detail.encode()
        assert item.detail, (kind, payload)
        assert not set(item.detail) & {"\n", "\0"}, (kind, payload)
        assert len(item.detail) <= 320, (kind, payload)


def _refuse(name: str) -> float:
    raise AssertionError(name)


def through_intake(connection: psycopg.Connection, batch: list[tuple[str, bytes]], known: Any) -> Counter[str]:
    """Take a batch in as messages of devices d-0001...; return what became of its records, all accounted for."""
    messages = [Message(_topic(kind, n), payload, NOW) for n, (kind, payload) in enumerate(batch)]
    sums: Counter[str] = Counter()
    for tally in take_in(connection, messages, known).values():
        sums.update(stored=tally.stored, doubles=tally.doubles, quarantined=tally.quarantined)
        sums["statuses"] += tally.received - tally.stored - tally.doubles - tally.quarantined
    assert min(sums.values()) >= 0, sums
    return sums


def _topic(kind: str, n: int) -> str:
    device = f"d-{1 + n % 20:04d}"
    return {"mapped": f"plant/{device}/done", "csv": f"csv/{device}"}.get(kind, f"halfsecond/1/{device}/{kind}")


def memory_mb() -> float:
    """Return the resident memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 1e6


def run(connection: psycopg.Connection | None, count: int, seed: int, *, progress: bool = False) -> list[str]:
    """Judge so many payloads, and store them where a connection is given; return lines that say what came of it."""
    known, told, sums = sources(), Judged(), Counter[str]()
    made = payloads(seed)
    marks: list[float] = []

    def too_long(_signal: int, _frame: FrameType | None) -> None:
        raise TimeoutError("a thousand payloads took 60 s of computing")

    before = signal.signal(signal.SIGPROF, too_long)
    try:
        for first in tqdm(range(0, count, BATCH), desc="payloads", unit="k", disable=not progress):
            batch = [next(made) for _ in range(min(BATCH, count - first))]
            signal.setitimer(signal.ITIMER_PROF, 60)
            for kind, payload in batch:
                judge(kind, payload, known, told)
            if connection is not None:
                sums += through_intake(connection, batch, known)
            marks.append(memory_mb())
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
    assert told.slowest_s < LONGEST_S, told.slowest_s
    settled, last = marks[len(marks) // 5], marks[-1]
    return [
        f"{told.payloads:,} payloads judged: {told.good:,} records good, {sum(told.bad.values()):,} items held",
        f"the slowest took {1e3 * told.slowest_s:.0f} ms",
        "held: " + ", ".join(f"{n:,} {reason}" for reason, n in told.bad.most_common()),
        *([f"through intake: {', '.join(f'{n:,} {what}' for what, n in sums.items())}"] if sums else []),
        f"memory {settled:.0f} MB after a fifth, {last:.0f} MB at the end",
    ]


def main() -> int:
    """Run it with an embedded database and print what came of it."""
    from deploy.embedded import postgres  # noqa: PLC0415 - only the script wants a server of its own
    from ingest.database import connect, migrate  # noqa: PLC0415 - likewise
    from tests.ingest.intake_helpers import register  # noqa: PLC0415 - likewise

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("payloads", nargs="?", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-database", action="store_true", help="only decode")
    arguments = parser.parse_args()
    if arguments.no_database:
        lines = run(None, arguments.payloads, arguments.seed, progress=True)
    else:
        with tempfile.TemporaryDirectory(prefix="halfsecond-fuzz-") as name:
            folder = Path(name)
            folder.chmod(0o755)
            careless = {"fsync": "off", "synchronous_commit": "off"}
            with postgres.running(folder / "postgres", options=careless) as server:
                migrate(server.conninfo)
                with connect(server.conninfo) as connection:
                    register(connection, units=20)
                    lines = run(connection, arguments.payloads, arguments.seed, progress=True)
    print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
