"""How often first tries lock at each outdoor temperature."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from api.access import Reader
from api.fleet import share
from api.queries import rows

SPAN = timedelta(days=120)
"""How far the charts and tables of a unit look back."""
STEP = {False: 5, True: 10}
"""Width of a band of temperature: 5 °C, or 10 °F where customary units are set."""


def locked_by_temperature(reader: Reader, unit_id: int) -> list[dict[str, Any]]:
    """Return bands of outdoor temperature in the account's degrees, with first tries and the share that locked.

    The share has its 90 % interval; the same span is looked at as in the charts.
    """
    step = STEP[reader.customary]
    found = rows(
        reader.pool,
        "units.locked_by_temperature",
        reader.account_id,
        unit_id=unit_id,
        since=reader.now - SPAN,
        until=reader.now,
        customary=reader.customary,
        step=step,
    )
    bands = []
    for r in found:
        mean, low, high = share(r["locked"], r["starts"])
        bands.append(
            {
                "from": r["band"] * step,
                "to": (r["band"] + 1) * step,
                "starts": r["starts"],
                "locked": r["locked"],
                "share": mean,
                "low": low,
                "high": high,
            }
        )
    return bands
