"""Accounts, units with their sites and devices, visits and forecasts: the small tables."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC
from operator import itemgetter
from typing import Any

import pandas as pd
import psycopg
from psycopg.types.json import Jsonb

from ingest.errors import BadInputError
from ingest.named_sql import queries
from ingest.shapes import columns
from ingest.store.stored import Stored
from ingest.store.verdicts import mark_dirty

_PLACE = ("zone", "lat", "lon", "area")


def account(connection: psycopg.Connection, name: str, *, create: bool = False) -> int:
    """Return the number of an account by its name; make the account first if asked to.

    Raises
    ------
    BadInputError
        There is no such account.
    """
    if create:
        connection.execute(_SQL["add_account"], (name,))
    row = connection.execute(_SQL["account_id"], (name,)).fetchone()
    if row is None:
        raise BadInputError(f"account: there is none named {name!r}; make it with 'halfsecond account add {name}'")
    return int(row[0])


def unit_ids(
    connection: psycopg.Connection, account_id: int, units: Iterable[str], *, create: bool = False
) -> dict[str, int]:
    """Return the numbers of units by name; those that are not there are left out, or made if asked to."""
    names = sorted(set(units))
    wanted = {"account_id": account_id, "units": names}
    found: dict[str, int] = dict(connection.execute(_SQL["unit_ids"], wanted).fetchall())
    if create and len(found) < len(names):
        connection.execute(_SQL["add_units"], wanted | {"units": [n for n in names if n not in found]})
        found = dict(connection.execute(_SQL["unit_ids"], wanted).fetchall())
    return found


def unit_names(connection: psycopg.Connection, account_id: int, ids: Iterable[int]) -> dict[int, str]:
    """Return the names of units of this account by number."""
    wanted = {"account_id": account_id, "unit_ids": list(ids)}
    return dict(connection.execute(_SQL["unit_names"], wanted).fetchall())


def put_units(connection: psycopg.Connection, account_id: int, frame: pd.DataFrame) -> Stored:
    """Store units with their sites and devices; a unit that is there already takes on what the table says.

    A value that is missing in the table leaves what is stored. A unit that has a place or a time zone but no site
    gets a site of its own name. A device moves to the unit that names it.

    Raises
    ------
    BadInputError
        A device belongs to another account.
    """
    units = _records(frame, tuple(columns("units")))
    for unit in units:
        if unit["site"] is None and any(unit[name] is not None for name in _PLACE):
            unit["site"] = unit["unit"]
    own = {"account_id": account_id}
    named = [u["device"] for u in units if u["device"] is not None]
    with connection.transaction(), connection.cursor() as cursor:
        strange = cursor.execute(_SQL["strange_device"], own | {"devices": named}).fetchone()
        if strange:
            raise BadInputError(f"units: device: {strange[0]!r} belongs to another account; give the device a new name")
        there = len(unit_ids(connection, account_id, [u["unit"] for u in units]))
        sites = {u["site"]: own | {n: u[n] for n in ("site", *_PLACE)} for u in units if u["site"] is not None}
        cursor.executemany(_SQL["put_site"], [sites[site] for site in sorted(sites)])
        cursor.executemany(_SQL["put_unit"], [own | u for u in sorted(units, key=itemgetter("unit"))])
        devices = {u["device"]: own | u for u in units if u["device"] is not None}
        cursor.executemany(_SQL["put_device"], [devices[device] for device in sorted(devices)])
    return Stored(len({u["unit"] for u in units}) - there, there)


def put_visits(connection: psycopg.Connection, account_id: int, frame: pd.DataFrame) -> Stored:
    """Store visits and mark their units for the watch; units that are not there yet are made."""
    ids = unit_ids(connection, account_id, frame["unit"].tolist(), create=True)
    new = 0
    with connection.transaction():
        for visit in _records(frame, tuple(columns("visits"))):
            unit_id = ids[visit["unit"]]
            values = visit | {
                "account_id": account_id,
                "unit_id": unit_id,
                "readings": Jsonb(visit["readings"] or {}),
                "parts": list(visit["parts"] or []),
                "work": list(visit["work"]),
            }
            if connection.execute(_SQL["put_visit"], values).fetchone():
                new += 1
                mark_dirty(connection, account_id, [unit_id], [visit["at"].astimezone(UTC).date()])
    return Stored(new, len(frame) - new)


def put_forecasts(connection: psycopg.Connection, account_id: int, frame: pd.DataFrame) -> Stored:
    """Store issues of the forecast and mark the units of their sites; sites that are not there yet are made.

    What is counted is issues: one of which any hour was new is new.
    """
    sites = sorted(set(frame["site"]))
    new = 0
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(_SQL["add_sites"], {"account_id": account_id, "sites": sites})
        for forecast in _records(frame, tuple(columns("forecasts"))):
            hours = forecast.pop("hours")
            values = forecast | {
                "account_id": account_id,
                "at": [hour["at"] for hour in hours],
                "outdoor_c": [hour["outdoor_c"] for hour in hours],
            }
            cursor.execute(_SQL["put_forecast"], values)
            new += cursor.rowcount > 0
        if new:
            cursor.execute(_SQL["mark_sites_dirty"], {"account_id": account_id, "sites": sites})
    return Stored(new, len(frame) - new)


def _records(frame: pd.DataFrame, names: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return the rows as dicts of Python values, None where a value is missing."""
    held = [frame[name].tolist() if name in frame else [None] * len(frame) for name in names]
    return [dict(zip(names, map(_plain, values), strict=True)) for values in zip(*held, strict=True)]


def _plain(value: Any) -> Any:  # noqa: ANN401 - any cell of a table
    if isinstance(value, list | dict):
        return value
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return None if pd.isna(value) else value


_SQL = queries("ingest", "sql/registry.sql")
