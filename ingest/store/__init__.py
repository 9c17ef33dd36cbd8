"""What is kept, by account: units, starts, rests, events, visits, forecasts, and the verdicts made of them.

Functions over a connection of :func:`ingest.database.connect`, the account first. Each ``put_`` is one transaction a
chunk, harmless when repeated; each ``read_`` gives a table as :mod:`ingest.frames` describes it.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from ingest.store.stored import Stored
from ingest.store.verdicts import (
    CALLS_CHANNEL,
    DIRTY_CHANNEL,
    FAILED_CHANNEL,
    VerdictRow,
    done_dirty,
    mark_dirty,
    put_verdicts,
    take_dirty,
    tell_failed,
)

if TYPE_CHECKING:
    from ingest.store.reading import read_events, read_forecasts, read_rests, read_starts, read_units, read_visits
    from ingest.store.registry import account, put_forecasts, put_units, put_visits, unit_ids, unit_names
    from ingest.store.tables import put_events, put_rests, put_starts
else:
    # These deal in tables. Loading what tables want takes a second or two, for which intake, that has to do with rows
    # only, must not wait as it begins again.
    _WITH_TABLES = {
        "reading": ("read_events", "read_forecasts", "read_rests", "read_starts", "read_units", "read_visits"),
        "registry": ("account", "put_forecasts", "put_units", "put_visits", "unit_ids", "unit_names"),
        "tables": ("put_events", "put_rests", "put_starts"),
    }

    def __getattr__(name: str) -> object:
        for module, names in _WITH_TABLES.items():
            if name in names:
                return getattr(import_module(f"{__name__}.{module}"), name)
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "CALLS_CHANNEL",
    "DIRTY_CHANNEL",
    "FAILED_CHANNEL",
    "Stored",
    "VerdictRow",
    "account",
    "done_dirty",
    "mark_dirty",
    "put_events",
    "put_forecasts",
    "put_rests",
    "put_starts",
    "put_units",
    "put_verdicts",
    "put_visits",
    "read_events",
    "read_forecasts",
    "read_rests",
    "read_starts",
    "read_units",
    "read_visits",
    "take_dirty",
    "tell_failed",
    "unit_ids",
    "unit_names",
]
