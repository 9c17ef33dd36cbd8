"""Making the next thing ready in a thread while the last one is used."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from queue import Full, Queue
from threading import Event, Thread
from typing import TypeVar

T = TypeVar("T")
_END = object()


class _Failed:
    """What the thread ended with in place of an item."""

    def __init__(self, error: BaseException) -> None:
        self.error = error


def ahead(items: Iterable[T]) -> Iterator[T]:
    """Yield items in order, the next one being made in a thread of its own meanwhile; at most three are held.

    What the source raises is raised here after the items before it. A reader that leaves early ends the thread.
    """
    ready: Queue[object] = Queue(1)
    left = Event()
    thread = Thread(target=_run, args=(items, ready, left), name="ahead", daemon=True)
    thread.start()
    try:
        while (item := ready.get()) is not _END:
            if isinstance(item, _Failed):
                raise item.error
            yield item  # type: ignore[misc]
    finally:
        left.set()
        thread.join()


def _run(items: Iterable[object], ready: Queue[object], left: Event) -> None:
    try:
        for item in items:
            if not _put(item, ready, left):
                break
        _put(_END, ready, left)
    except BaseException as error:  # noqa: BLE001 - it is the reader's
        _put(_Failed(error), ready, left)
    finally:
        if isinstance(items, Generator):
            items.close()


def _put(item: object, ready: Queue[object], left: Event) -> bool:
    """Hand over an item once there is room; return False where the reader has left."""
    while not left.is_set():
        try:
            ready.put(item, timeout=0.1)
        except Full:
            continue
        return True
    return False
