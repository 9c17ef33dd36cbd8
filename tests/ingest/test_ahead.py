"""The next thing is made while the last one is used, and nothing is lost or left running."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from ingest.ahead import ahead


def running() -> int:
    return sum(thread.name == "ahead" for thread in threading.enumerate())


def test_all_items_come_in_order_and_the_thread_ends() -> None:
    assert list(ahead(range(1_000))) == list(range(1_000))
    assert list(ahead([])) == []
    assert running() == 0


def test_the_next_item_is_made_meanwhile() -> None:
    made = threading.Event()

    def source() -> Iterator[int]:
        yield 1
        made.set()
        yield 2

    items = ahead(source())
    assert next(items) == 1
    assert made.wait(5)
    assert list(items) == [2]


def test_what_the_source_raises_comes_after_the_items_before_it() -> None:
    def source() -> Iterator[int]:
        yield 1
        raise ValueError("two")

    items = ahead(source())
    assert next(items) == 1
    with pytest.raises(ValueError, match="two"):
        next(items)
    assert running() == 0


def test_a_reader_that_leaves_early_closes_the_source() -> None:
    closed = threading.Event()

    def source() -> Iterator[int]:
        try:
            while True:
                yield 1
        finally:
            closed.set()

    items = ahead(source())
    assert next(items) == 1
    items.close()  # type: ignore[attr-defined]
    assert closed.is_set()
    assert running() == 0
