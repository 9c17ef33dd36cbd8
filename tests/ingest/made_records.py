"""Strategies that make records within the contract's limits (invented, for plumbing only)."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pandas as pd
from hypothesis import strategies as st

from ingest import frames
from ingest.shapes import Column, FileKind, columns

# Surrogates are no UTF-8; a NUL or a carriage return is no text that a person gives a unit.
words = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20).filter(
    lambda w: w == w.strip() and w
)
times = st.datetimes(datetime(2000, 1, 1), datetime(2100, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001


def cell(column: Column) -> st.SearchStrategy[Any]:
    """Values of one plain column, None among them where they may be missing."""
    if column.kind == "time":
        return times
    if column.kind == "word":
        some: st.SearchStrategy[Any] = st.sampled_from(column.words) if column.words else words
    elif column.kind == "whole":
        some = st.integers(int(column.low or 0), int(column.high or 0))
    else:
        low, high = column.low, column.high
        some = st.floats(low, high, exclude_min=column.low_open, allow_subnormal=False)
    return some if column.required or column.name == "outcome" else st.none() | some


SPECIAL: dict[str, st.SearchStrategy[Any]] = {
    "zone": st.none() | st.sampled_from(["America/Denver", "UTC"]),
    "installed": st.none() | st.dates().map(str),
    "work": st.lists(st.sampled_from(columns("visits")["work"].words or ()), min_size=1, max_size=3),
    "readings": st.dictionaries(words, st.floats(-1e6, 1e6) | words | st.booleans(), max_size=3),
    "parts": st.lists(words, max_size=3),
    "hours": st.lists(st.fixed_dictionaries({"at": times, "outdoor_c": st.floats(-90, 70)}), min_size=1, max_size=4),
}


@st.composite
def tables(draw: st.DrawFn, kind: FileKind) -> pd.DataFrame:
    """A table of up to eight records of a kind."""
    count = draw(st.integers(0, 8))
    arrays: dict[str, list[Any]] = {
        name: [draw(SPECIAL[name] if name in SPECIAL else cell(column)) for _ in range(count)]
        for name, column in columns(kind).items()
        if name not in {"t_s", "suction_kpa", "liquid_kpa"} or kind == "starts"
    }
    if kind == "rests":
        series = [_rest(draw) for _ in range(count)]
        arrays |= {name: [s[name] for s in series] for name in ("t_s", "suction_kpa", "liquid_kpa")}
    extra: list[str | None] = []
    if kind in {"starts", "rests", "events"}:
        extra = [draw(st.sampled_from([None, '{"firmware":"2.1"}', '{"x":{"y":[1,null]}}'])) for _ in range(count)]
    return frames.frame(kind, arrays, extra)


def _rest(draw: st.DrawFn) -> dict[str, Any]:
    t_s = sorted(draw(st.lists(st.floats(0, 86_400), min_size=1, max_size=6, unique=True)))
    pressures = st.none() | st.lists(st.none() | st.floats(-101.325, 10_000), min_size=len(t_s), max_size=len(t_s))
    return {"t_s": t_s, "suction_kpa": draw(pressures), "liquid_kpa": draw(pressures)}
