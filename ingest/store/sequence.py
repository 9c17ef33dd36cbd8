"""Which numbers of a device's records have come, so that what was never received is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import psycopg
from psycopg.rows import dict_row

from ingest.named_sql import queries

Numbered = Mapping[tuple[str, str], tuple[int, Sequence[int]]]
"""By device and kind: the account, and the numbers that came."""


def note(connection: psycopg.Connection, numbers: Numbered) -> None:
    """Note numbers that came, in the caller's transaction; noting them again changes nothing."""
    places = sorted(place for place, (_, came) in numbers.items() if came)
    if not places:
        return
    connection.execute(
        _SQL["note"],
        {
            "devices": [device for device, _ in places],
            "kinds": [kind for _, kind in places],
            "accounts": [numbers[place][0] for place in places],
            "ranges": [multirange(numbers[place][1]) for place in places],
        },
    )


def gaps(
    connection: psycopg.Connection, account_id: int, device: str | None = None, limit: int = 1_000
) -> list[dict[str, Any]]:
    """Return devices of which records were never received, those that miss most first.

    Returns
    -------
    list of dict
        ``device unit missing newest sent ranges``: how many are missing, the highest number that came, the highest that
        the last status said was sent, and the numbers missing below the newest, as PostgreSQL writes ranges.
    """
    wanted = {"account_id": account_id, "device": device, "limit": limit}
    with connection.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(_SQL["gaps"], wanted).fetchall()


def forget(connection: psycopg.Connection, account_id: int, device: str) -> bool:
    """Take all of a device's numbers so far as received; return whether there were any."""
    return bool(connection.execute(_SQL["forget"], {"account_id": account_id, "device": device}).rowcount)


def multirange(numbers: Sequence[int]) -> str:
    """Return numbers as PostgreSQL writes a multirange: ``{[1,4),[7,8)}``.

    The very last bigint is left out: a range that ends after it cannot be written.
    """
    if numbers and (whole := range(numbers[0], numbers[0] + len(numbers))).stop <= _LAST and list(whole) == numbers:
        return f"{{[{whole.start},{whole.stop})}}"
    parts: list[str] = []
    first = end = None
    for number in sorted(set(numbers) - {_LAST}):
        if number == end:
            end = number + 1
            continue
        if first is not None:
            parts.append(f"[{first},{end})")
        first, end = number, number + 1
    return "{" + ",".join([*parts, f"[{first},{end})"] if first is not None else parts) + "}"


_LAST = 2**63 - 1
_SQL = queries("ingest", "sql/sequence.sql")
