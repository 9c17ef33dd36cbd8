"""Between which days a unit's starts became harder."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from api.access import Reader
from api.queries import rows

SPAN = timedelta(days=182)
AFTER_D = 10
"""Days after the alarm that are still used."""


def onset(reader: Reader, unit_id: int, verdict: Mapping[str, Any] | None) -> dict[str, date] | None:
    """Return the 90 % interval of the day on which the present drift of a unit began; None without an alarm.

    It holds the day that the verdict gives. None, too, where less than a fortnight lies between the last visit and now.
    """
    run_up = (verdict or {}).get("run_up") or {}
    if not run_up.get("alarm") or not run_up.get("since"):
        return None
    import numpy as np  # noqa: PLC0415 - what only a unit with an alarm wants

    from analytics import onset as onsets  # noqa: PLC0415 - scipy, likewise

    found = rows(
        reader.pool, "trend.days", reader.account_id, unit_id=unit_id, since=reader.now - SPAN, until=reader.now
    )
    by_day = {r["day"]: r for r in found}
    if not by_day:
        return None
    alarm = max(by_day)
    while by_day.get(alarm - timedelta(days=1), {}).get("alarm"):
        alarm -= timedelta(days=1)
    used = [
        r
        for day, r in sorted(by_day.items())
        if r["now_s"] and r["expected_s"] and day <= alarm + timedelta(days=AFTER_D)
    ]
    told = onsets.interval(
        np.array([r["day"].toordinal() for r in used], dtype=np.int64),
        np.array([math.log(r["now_s"] / r["expected_s"]) for r in used]),
        alarm.toordinal(),
    )
    if told is None:
        return None
    since = date.fromisoformat(run_up["since"])
    return {"low": min(date.fromordinal(told.low), since), "high": max(date.fromordinal(told.high), since)}
