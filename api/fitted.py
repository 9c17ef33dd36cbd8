"""Which parts of a unit were fitted by a visit, when, and by whom: the newest of each kind."""

from __future__ import annotations

from typing import Any

from api.access import Reader
from api.queries import rows

PARTS: dict[str, str] = {
    "run_capacitor": "run capacitor",
    "start_kit_fitted": "start kit",
    "start_kit_replaced": "start kit",
    "compressor": "compressor",
    "metering_device": "metering device",
    "crankcase_heater": "crankcase heater",
    "sensor": "sensor",
}
"""The part that each kind of work fits; other work fits none that is known by its kind."""


def fitted(reader: Reader, unit_id: int) -> list[dict[str, Any]]:
    """Return the newest of each part that a visit fitted, newest first: part, instant, person, what was entered."""
    found = rows(reader.pool, "visits.fitted", reader.account_id, unit_id=unit_id, work=list(PARTS))
    newest: dict[str, dict[str, Any]] = {}
    for r in found:
        told = {"part": PARTS[r["work"]], "at": r["at"], "by": r["by"], "entered": r["parts"]}
        newest.setdefault(told["part"], told)
    return list(newest.values())
