"""What hangs together is found well, and each thing that does not is found."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import LiteralString

import psycopg
import pytest

from ingest import upkeep
from ingest.database import connect
from ingest.intake import Message, take_in
from ingest.store import checking
from tests.ingest.intake_helpers import encode, register, start

pytestmark = pytest.mark.stack
AT = (datetime.now(UTC) - timedelta(hours=2)).replace(microsecond=0)


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    """A store with one unit's start of today, looked after, and nothing waiting."""
    with connect(database) as opened:
        register(opened)
        upkeep.tend(opened)
        take_in(opened, [Message("halfsecond/1/d-0001/starts", encode(start(1, at=AT.isoformat())), AT)])
        opened.execute("delete from dirty_day")
        yield opened


def test_a_store_that_is_well_passes_every_check(connection: psycopg.Connection) -> None:
    done: list[int] = []
    findings = checking.check(connection, progress=done.append)
    assert [f for f in findings if not f.ok] == []
    assert len(done) == len(findings) <= checking.CHECKS


@pytest.mark.parametrize(
    ("harm", "found"),
    [
        ("update start set account_id = 99", "starts under an account that is not their unit's"),
        ("update heard set last_at = last_at - interval '1 day'", "units whose newest start is not noted"),
        ("insert into dirty_day values (1, current_date, 1, now() - interval '2 hours')", "days waiting for a verdict"),
        (
            "insert into verdict values (1, 1, now(), 'steady', 0, '{}')",
            "units whose newest verdict is not on the call",
        ),
        ("update schema_version set version_num = 'pre_0001'", "schema"),
        ("insert into device_seq values ('d-0001', 'rests', 1, '{[1,3),[5,9)}')", "never received"),
        ("insert into device_clock (device, account_id, offset_s) values ('d-0001', 1, 3600)", "clocks that are off"),
    ],
)
def test_what_does_not_hang_together_is_found_with_what_to_do(
    connection: psycopg.Connection, harm: LiteralString, found: str
) -> None:
    connection.execute(harm)
    (finding,) = [f for f in checking.check(connection) if not f.ok]
    assert finding.check.startswith(found)
    assert finding.remedy


@pytest.mark.usefixtures("partitioned")
def test_days_without_a_partition_are_found(connection: psycopg.Connection) -> None:
    tomorrow = datetime.now(UTC).date() + timedelta(days=1)
    connection.execute(psycopg.sql.SQL("drop table {}").format(psycopg.sql.Identifier(f"rest_{tomorrow:%Y%m%d}")))
    (finding,) = [f for f in checking.check(connection) if not f.ok]
    assert (finding.check, finding.found) == ("partitions of rest", "1 of the next 4 days have none")


def test_sizes_tell_of_every_table_the_largest_first(connection: psycopg.Connection) -> None:
    rows = {row["table"]: row for row in checking.sizes(connection)}
    assert {"start", "rest", "event", "unit", "device_seq"} <= set(rows)
    assert rows["start"]["parts"] >= 1
    sizes = [row["bytes"] for row in rows.values()]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > 0
