"""Days whose starts no verdict has taken in yet, and whether a reader should be told of them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from api.access import Reader
from api.notices.trust import VERDICTS_LATE
from api.queries import rows


def waiting(reader: Reader, unit_id: int | None = None) -> dict[str, Any]:
    """Return how many days of how many units wait to be judged; of one unit only where it is given.

    What is read after it is at least as new: where no day waits, verdicts read then are of all that had come.
    """
    return rows(reader.pool, "calls.waiting", reader.account_id, unit_id=unit_id)[0]


def behind(days_waiting: int, as_of: datetime | None, now: datetime) -> bool:
    """Return whether verdicts are so far behind that a page has to say so.

    All day long some starts are a few seconds from being judged; every unit is judged anew each hour.

    Parameters
    ----------
    days_waiting : how many days wait
    as_of : of which instant the oldest verdict shown is; None where there is none
    now : the account's clock
    """
    return days_waiting > 0 and (as_of is None or now - as_of > VERDICTS_LATE)
