"""Where the time goes: that of one thread by what it is at, and that of the machine's cores by process."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest import mock

_TICKS = os.sysconf("SC_CLK_TCK")
_PARENT, _OWN, _CHILDREN = 1, slice(11, 13), slice(13, 15)
"""Fields of ``/proc/N/stat`` behind the name: the parent, and user and system time of it and of ended children."""


@contextmanager
def by_stage(stages: Mapping[str, tuple[ModuleType, str]]) -> Iterator[Counter[str]]:
    """Count the seconds that functions take while the block runs, without what they spend in others of them.

    Parameters
    ----------
    stages : name of a stage to the module that calls a function and the function's name there; all of one thread
    """
    seconds: Counter[str] = Counter()
    inner: list[float] = []

    def timed(stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            began = time.perf_counter()
            inner.append(0.0)
            try:
                return function(*given, **named)
            finally:
                took = time.perf_counter() - began
                seconds[stage] += took - inner.pop()
                if inner:
                    inner[-1] += took

        return call

    with ExitStack() as patched:
        for stage, (module, name) in stages.items():
            patched.enter_context(mock.patch.object(module, name, timed(stage, getattr(module, name))))
        yield seconds


def percent(seconds: Counter[str]) -> str:
    """Return the stages with their shares, the largest first."""
    total = seconds.total()
    return ", ".join(f"{stage} {share / total:.0%}" for stage, share in seconds.most_common())


def cpu_s(process: int) -> float:
    """Return the CPU time of a process and of its children, also of those that it has seen end, seconds."""
    told = {int(entry.name): fields for entry in os.scandir("/proc") if (fields := _fields(entry))}
    family = {process}
    while more := {n for n, fields in told.items() if int(fields[_PARENT]) in family} - family:
        family |= more
    return sum(float(t) for n in family & set(told) for t in (*told[n][_OWN], *told[n][_CHILDREN])) / _TICKS


def _fields(entry: os.DirEntry[str]) -> list[str]:
    """Return the fields of a process behind its name; none for what is no process, or is one no more."""
    if not entry.name.isdigit():
        return []
    try:
        return Path(entry.path, "stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return []
