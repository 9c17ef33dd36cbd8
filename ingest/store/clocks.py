"""What is kept of devices' clocks, and putting right the times of records whose clock is certainly off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import psycopg
from psycopg import sql

from ingest import skew
from ingest.named_sql import queries
from ingest.skew import Clock
from ingest.store.jsonb import as_jsonb
from ingest.store.series import Row, Series

LEAD_S = 60.0
"""A record dated so long after its receipt is noted: no delay explains it."""
SENT_AT = "at_sent"
"""Where a corrected record keeps, in ``extra``, the time that its logger said."""


class Doubtful(NamedTuple):
    """A record of a device whose clock is certainly off: its values in the series' order, and what goes beside them."""

    values: Row
    account_id: int
    unit_id: int
    extra: bytes | None
    received_at: datetime
    offset_s: float


def known(connection: psycopg.Connection, devices: Iterable[str]) -> dict[str, Clock]:
    """Return what is known of the clocks of devices, those that nothing is known of left out."""
    rows = connection.execute(_SQL["known"], {"devices": list(devices)}).fetchall()
    return {
        device: Clock(tuple(offsets_s), tuple(received_at), offset_s, certain_at, records, least_s)
        for device, offsets_s, received_at, offset_s, certain_at, records, least_s in rows
    }


def note(
    connection: psycopg.Connection,
    statuses: Sequence[Mapping[str, Any]],
    differences: Mapping[str, tuple[int, int, float]],
    leads: Mapping[str, tuple[int, float, datetime]],
) -> None:
    """Note what a batch says of clocks, in the caller's transaction.

    Parameters
    ----------
    statuses
        Those that came live and told the device's time: ``device account_id at received_at``.
    differences
        Of suspect devices: account, number of records, least receipt less time in seconds.
    leads
        Of devices whose records are dated after their receipt: account, by how much in seconds, and when.
    """
    names = sorted({*(status["device"] for status in statuses), *differences})
    clocks = known(connection, names) if names else {}
    accounts: dict[str, int] = {}
    for device, (account_id, count, least_s) in differences.items():
        accounts[device] = account_id
        clocks[device] = skew.after_records(clocks.get(device, Clock()), count, least_s)
    for status in statuses:
        device = status["device"]
        accounts[device] = status["account_id"]
        clocks[device] = skew.after_status(clocks.get(device, Clock()), status["at"], status["received_at"])
    with connection.cursor() as cursor:
        if names:
            cursor.executemany(_SQL["put"], [_row(device, accounts[device], clocks[device]) for device in names])
        if leads:
            cursor.executemany(
                _SQL["lead"],
                [
                    {"device": device, "account_id": account_id, "ahead_s": ahead_s, "received_at": received_at}
                    for device, (account_id, ahead_s, received_at) in sorted(leads.items())
                ],
            )


def put_right(connection: psycopg.Connection, series: Series, records: Sequence[Doubtful]) -> list[Row]:
    """Return rows of records whose clock is certainly off, each with the time that it shall be stored under.

    One that stands in the table already, corrected or not, keeps the time that it has there, so that it falls on its
    key; any other is corrected where it agrees with the offset and stays as it was sent where it does not.
    """
    at_place = series.fields.index("at")
    seq_place = series.fields.index("seq")
    stored = _stored(connection, series, records, at_place, seq_place)
    rows = []
    for values, account_id, unit_id, extra, received_at, offset_s in records:
        sent = values[at_place]
        at = stored.get((unit_id, values[seq_place], sent)) or skew.corrected(sent, received_at, offset_s) or sent
        kept = extra if at == sent else _with_sent(extra, sent)
        beside = (account_id, unit_id, None if kept is None else as_jsonb(kept), received_at)
        rows.append((*values[:at_place], at, *values[at_place + 1 :], *beside))
    return rows


def _stored(
    connection: psycopg.Connection, series: Series, records: Sequence[Doubtful], at_place: int, seq_place: int
) -> dict[tuple[int, int, datetime], datetime]:
    widest = max(abs(record.offset_s) for record in records) + skew.AGREES_S + skew.SPREAD_S
    times = [record.values[at_place] for record in records]
    wanted = {
        "unit_ids": list({record.unit_id for record in records}),
        "seqs": list({record.values[seq_place] for record in records}),
        "since": min(times) - timedelta(seconds=widest),
        "until": max(times) + timedelta(seconds=widest),
    }
    query = sql.SQL(_SQL["stored"]).format(table=sql.Identifier(series.table))
    return {(unit_id, seq, sent): at for unit_id, seq, sent, at in connection.execute(query, wanted)}


def _with_sent(extra: bytes | None, sent: datetime) -> bytes:
    told = f'"{SENT_AT}": "{sent.astimezone(UTC).isoformat()}"}}'.encode()
    return b"{" + told if extra is None else extra.rstrip()[:-1] + b", " + told


def _row(device: str, account_id: int, clock: Clock) -> dict[str, Any]:
    return {
        "device": device,
        "account_id": account_id,
        "offsets_s": list(clock.offsets_s),
        "received_at": list(clock.received_at),
        "offset_s": clock.offset_s,
        "certain_at": clock.certain_at,
        "records": clock.records,
        "least_s": clock.least_s,
    }


_SQL = queries("ingest", "sql/clocks.sql")
