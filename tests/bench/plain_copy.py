"""The peer of what writes starts to the database: binary COPY into staging and a merge, of rows made beforehand."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

import psycopg

from ingest.wire import START_FIELDS

TYPES = dict.fromkeys(START_FIELDS, "float4") | {
    "seq": "int8", "at": "timestamptz", "outcome": "text", "mode": "text", "stage": "int2", "retry": "int2",
}  # fmt: skip
COLUMNS = (*START_FIELDS, "account_id", "unit_id", "received_at")


def copied(connection: psycopg.Connection, rows: Sequence[Sequence[Any]], rows_a_batch: int) -> float:
    """Return the seconds that rows, in the order of ``COLUMNS``, take, a batch a transaction."""
    columns = ", ".join(COLUMNS)
    began = time.perf_counter()
    for first in range(0, len(rows), rows_a_batch):
        with connection.transaction(), connection.cursor() as cursor:
            cursor.execute("create temp table if not exists plain_stage (like start) on commit delete rows")
            with cursor.copy(f"copy plain_stage ({columns}) from stdin (format binary)".encode()) as copy:
                copy.set_types([*(TYPES[f] for f in START_FIELDS), "int8", "int8", "timestamptz"])
                for row in rows[first : first + rows_a_batch]:
                    copy.write_row(row)
            merge = f"insert into start ({columns}) select {columns} from plain_stage on conflict do nothing"  # noqa: S608 - our own names
            cursor.execute(merge.encode())
    return time.perf_counter() - began
