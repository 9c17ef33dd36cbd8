"""What loggers send of a fleet, and when: piled up, one by one, twice, late, out of order, and after a time off line.

Moments here are seconds of the true clock, whatever the loggers' own clocks say.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from ingest.wire import MAX_ITEMS
from simulator import waves
from simulator.faults import DAY_S
from simulator.files import records
from simulator.fleet import Fleet

KINDS = ("starts", "rests", "events")
WINDOW = timedelta(days=5)
"""What a logger piles up into one payload while catching up."""
CLEAR_S = 8.0
"""From energising until a logger has sent: the outcome is clear, the figures are made, s."""
TWICE = 0.01
LATE = 0.02
LATE_S = 5400.0
"""Share of messages sent twice, share sent late, and how late at most [s]."""
BURST = 20
BURST_S = 2.0
"""Records in one payload of a logger that was off line, and the time between its payloads [s]."""
NEWEST_FIRST = 0.5
"""Share of such times after which the newest payload comes first and the older ones after it (assumption)."""
LEAVE, RETURN = "leave", "return"
"""Kinds of a message that is none: the logger's connection goes, and comes back."""

_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True)
class Message:
    """One payload: which device sends it, of what kind, how many records, the newest ``seq``, and when [s, UTC]."""

    due_s: float
    device: str
    kind: str
    count: int
    seq: int
    payload: bytes


@dataclass(frozen=True)
class Spell:
    """A spell of a device's clock or connection, [s, UTC]; what the clock tells too much at first, and per second."""

    from_s: float
    to_s: float
    offset_s: float = 0.0
    drift: float = 0.0


def wrong_clocks(fleet: Fleet) -> dict[str, Spell]:
    """Return the spells with a wrong clock, by device: `simulator.clocks` as the truth tells it."""
    return {
        device: Spell(_seconds(c["from"]), _seconds(c["to"]), c["offset_s"], c["drift_s_per_day"] / DAY_S)
        for device, c in zip(_devices(fleet).values(), fleet.truth["clock"], strict=True)
        if isinstance(c, dict)
    }


def offline(fleet: Fleet) -> dict[str, list[Spell]]:
    """Return the spells off line, by device, in order of time."""
    return {
        device: [Spell(_seconds(s["from"]), _seconds(s["to"])) for s in spells]
        for device, spells in zip(_devices(fleet).values(), fleet.truth["offline"], strict=True)
        if spells
    }


def history(tables: Mapping[str, pd.DataFrame], rng: np.random.Generator) -> Iterator[Message]:
    """Yield what loggers have piled up, some days at a time and the devices of each span in any order.

    ``tables`` has the frames by kind, with a column ``device``.
    """
    times = [table["at"] for table in tables.values() if len(table)]
    if not times:
        return
    edge, end = min(t.min() for t in times), max(t.max() for t in times)
    while edge <= end:
        span = []
        for kind, table in tables.items():
            part = table[(table["at"] >= edge) & (table["at"] < edge + WINDOW)]
            for device, rows in part.groupby("device", sort=True):
                parts = range(0, len(rows), MAX_ITEMS)
                span += [_piled(kind, str(device), rows.iloc[first : first + MAX_ITEMS]) for first in parts]
        for place in rng.permutation(len(span)).tolist():
            yield span[place]
            if rng.random() < TWICE:
                yield span[place]
        edge += WINDOW


def live(fleet: Fleet, tables: Mapping[str, pd.DataFrame], since_s: float, rng: np.random.Generator) -> list[Message]:
    """Return the messages of what happens from ``since_s`` [s, UTC] on, in the order in which they are due.

    One a record, when a logger would send it, some twice, some late; what falls into a spell off line comes after it,
    in payloads of several. `LEAVE` and `RETURN` stand where a connection goes and comes back.
    """
    spells = {
        device: kept for device, all_of in offline(fleet).items() if (kept := [s for s in all_of if s.to_s > since_s])
    }
    found = list(held(singles(fleet, tables, rng), spells, rng))
    for device, mine in spells.items():
        found += [Message(spell.from_s, device, LEAVE, 0, 0, b"") for spell in mine]
        found += [Message(spell.to_s, device, RETURN, 0, 0, b"") for spell in mine]
    # The sort is stable; at one moment a connection is back before anything goes out on it.
    return sorted(found, key=lambda message: (message.due_s, message.kind != RETURN))


def singles(fleet: Fleet, tables: Mapping[str, pd.DataFrame], rng: np.random.Generator) -> Iterator[Message]:
    """Yield one message a record, due when a logger would send it; some twice, some late."""
    sampled, wrong = _waves(fleet), wrong_clocks(fleet)
    for kind, table in tables.items():
        items = records(table.drop(columns=["unit", "device"]))
        for item, device, at in zip(items, table["device"], table["at"], strict=True):
            due_s = true_s(at.timestamp(), wrong.get(device)) + CLEAR_S
            due_s += item["t_s"][-1] if kind == "rests" else item.get("run_up_s", 1.0)
            inputs = sampled.get((device, item["seq"])) if kind == "starts" else None
            told = item if inputs is None else waves.with_wave(item, waves.wave(*waves.sampled(**inputs), rng))
            luck = rng.random()
            if luck < LATE:
                due_s += float(rng.uniform(0, LATE_S))
            message = Message(due_s, device, kind, 1, item["seq"], _ENCODER.encode(told))
            yield message
            if luck > 1 - TWICE:
                yield message


def true_s(told_s: float, wrong: Spell | None) -> float:
    """Return when it was [s, UTC] that a device's clock told ``told_s``, given its spell with a wrong clock."""
    if wrong is None:
        return told_s
    since_s = (told_s - wrong.from_s - wrong.offset_s) / (1 + wrong.drift)
    # Moments are told to the millisecond.
    return wrong.from_s + since_s if -1e-3 <= since_s < wrong.to_s - wrong.from_s else told_s


def held(messages: Iterable[Message], spells: Mapping[str, list[Spell]], rng: np.random.Generator) -> Iterator[Message]:
    """Yield messages as they come from loggers that keep what they cannot send: in bursts after each spell off line.

    A burst is one array of up to ``BURST`` records of a kind; after some spells the newest burst comes first.
    """
    kept: dict[tuple[str, int], list[Message]] = defaultdict(list)
    for message in messages:
        for place, spell in enumerate(spells.get(message.device, [])):
            if spell.from_s <= message.due_s < spell.to_s:
                kept[message.device, place].append(message)
                break
        else:
            yield message
    for (device, place), mine in kept.items():
        bursts = []
        for kind in KINDS:
            some = sorted((m for m in mine if m.kind == kind), key=lambda m: m.seq)
            bursts += [_burst(some[first : first + BURST]) for first in range(0, len(some), BURST)]
        if rng.random() < NEWEST_FIRST:
            bursts.reverse()
        back_s = spells[device][place].to_s
        yield from (replace(burst, due_s=back_s + BURST_S * k) for k, burst in enumerate(bursts))


def _burst(some: list[Message]) -> Message:
    payload = b"[" + b",".join(m.payload for m in some) + b"]"
    return replace(some[-1], count=len(some), payload=payload)


def _piled(kind: str, device: str, rows: pd.DataFrame) -> Message:
    items = records(rows.drop(columns=["unit", "device"]))
    due_s = rows["at"].iloc[-1].timestamp() + CLEAR_S
    return Message(due_s, device, kind, len(items), items[-1]["seq"], _ENCODER.encode(items))


def _waves(fleet: Fleet) -> dict[tuple[str, int], dict[str, Any]]:
    """Return what the wave of a start is made of, by device and number, for those that are sent as waves."""
    device = _devices(fleet)
    rows: list[dict[str, Any]] = fleet.waves.to_dict("records")  # type: ignore[assignment] # its keys are text
    return {(device[row.pop("unit")], row.pop("seq")): row for row in rows}


def _devices(fleet: Fleet) -> dict[str, str]:
    return dict(zip(fleet.units["unit"], fleet.units["device"], strict=True))


def _seconds(moment: str) -> float:
    return float(pd.Timestamp(moment).timestamp())
