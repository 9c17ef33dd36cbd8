"""Which column of a recording is the time, the current and the voltage, and in which unit: guessed from its name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal

from ingest.errors import BadInputError

Quantity = Literal["time", "current", "voltage"]

_UNITS: dict[Quantity, dict[str, float]] = {
    "time": {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6},
    "current": {"a": 1.0, "amp": 1.0, "amps": 1.0, "amperes": 1.0, "ma": 1e-3, "ka": 1e3},
    "voltage": {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "kv": 1e3},
}
_WORDS: dict[Quantity, set[str]] = {
    "time": {"time", "t", "zeit"},
    "current": {"current", "amperage", "i", *_UNITS["current"]},
    "voltage": {"voltage", "u", *_UNITS["voltage"]},
}
_OTHERS = {"rotor", "field", "auxiliary", "aux", "neutral"}  # windings other than the line
_PLAIN: dict[Quantity, str] = {"time": "time_s", "current": "current_a", "voltage": "voltage_v"}


def find(names: Iterable[str], quantity: Quantity, where: str) -> tuple[str, float] | None:
    """Find the one column of a quantity.

    Parameters
    ----------
    names
        Names of the columns, such as ``current_a``, ``Current [mA]``, ``stator_voltage_V``, ``t_s``.
    quantity
        What is sought.
    where
        Name of the file, for the message.

    Returns
    -------
    tuple or None
        The name, and what its values are to be multiplied by to be in seconds, amperes or volts; where the name says no
        unit they are taken to be so. None where there is no such column.

    Raises
    ------
    BadInputError
        More than one column could be meant.
    """
    found = {name: scale for name in names if (scale := _scale(name, quantity)) is not None}
    if len(found) > 1:
        found = {name: scale for name, scale in found.items() if not _OTHERS & set(_tokens(name))} or found
    if _PLAIN[quantity] in found:
        found = {_PLAIN[quantity]: found[_PLAIN[quantity]]}
    if len(found) > 1:
        raise BadInputError(
            f"{where}: {quantity} could be {' or '.join(found)}; rename the one to be read '{_PLAIN[quantity]}'"
        )
    return next(iter(found.items())) if found else None


def _tokens(name: str) -> list[str]:
    return [token for token in re.split(r"[^a-zµμ]+", name.strip().lower()) if token]


def _scale(name: str, quantity: Quantity) -> float | None:
    tokens = _tokens(name)
    if not tokens or not _WORDS[quantity] & set(tokens):
        return None
    if any(_WORDS[other] & set(tokens[:-1]) for other in _WORDS if other != quantity):
        return None  # "current_time_s" is a time, whatever else it says
    units = _UNITS[quantity]
    if len(tokens) > 1 and tokens[-1] not in units and any(tokens[-1] in other for other in _UNITS.values()):
        return None
    return units.get(tokens[-1], 1.0)
