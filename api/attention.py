"""What was done about a unit's call and still holds: seen, put off, planned."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException

from api.access import Reader
from api.queries import Row, row
from api.words import FLAGGED


def person_id(reader: Reader, field: str, name: str | None) -> int | None:
    """Return the number of one of the account's people by name; None for nobody.

    Raises
    ------
    HTTPException
        409 where the account has no such person; the text names the field.
    """
    if name is None:
        return None
    found = row(reader.pool, "work.person", reader.account_id, name=name)
    if found is None:
        raise HTTPException(409, f"{field}: no {name!r} among the people of this account")
    return int(found["person_id"])


def _gravity(standing: str | None) -> int:
    return FLAGGED.index(standing) + 1 if standing in FLAGGED else 99


def plan_of(found: Row) -> dict[str, Any] | None:
    """Return the visit that is planned, from the columns of a row; None where there is none."""
    if found["plan_day"] is None:
        return None
    return {
        "person": found["plan_person"],
        "day": found["plan_day"],
        "note": found["plan_note"],
        "made_at": found["plan_made_at"],
    }


def attention(reader: Reader, found: Row) -> dict[str, Any]:
    """Return what was done about a unit's call and still holds; ``found`` is the unit's row."""
    held = row(
        reader.pool,
        "work.attention",
        reader.account_id,
        unit_id=found["unit_id"],
        gravity=_gravity(found["standing"]),
        gravest=list(FLAGGED),
        now=reader.now,
    )
    assert held is not None
    return {
        "acknowledged_at": held["acknowledged_at"],
        "snoozed_until": held["snoozed_until"],
        "plan": plan_of(held),
    }
