"""Intake's counts add up by minute and account, apart from its batches."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from ingest import meters as metering
from ingest.database import connect
from ingest.intake import Tally
from ingest.meters import Meters
from tests.ingest.intake_helpers import register

pytestmark = pytest.mark.stack


@pytest.fixture
def connection(database: str) -> Iterator[psycopg.Connection]:
    with connect(database) as opened:
        yield opened


def test_counts_of_several_batches_add_up_and_the_largest_lag_stands(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    meters = Meters()
    metering.count(meters, 3, {account_id: Tally(3, 2, 1, 0)}, lag_s=0.5)
    metering.count(meters, 2, {account_id: Tally(1, 1, 0, 0), None: Tally(1, 0, 0, 1)}, lag_s=0.25)
    metering.write_minute(meters, connection, at_once=True)
    metering.count(meters, 1, {account_id: Tally(1, 0, 0, 1)}, lag_s=0.125)
    metering.write_minute(meters, connection, at_once=True)
    metering.write_minute(meters, connection, at_once=True)
    query = (
        "select account_id, sum(received), sum(stored), sum(doubles), sum(quarantined), max(lag_s)"
        " from intake_minute group by account_id order by account_id nulls last"
    )
    assert connection.execute(query).fetchall() == [(account_id, 5, 3, 1, 1, 0.5), (None, 1, 0, 0, 1, 0.5)]


def test_the_minute_is_written_at_most_once_a_second(connection: psycopg.Connection) -> None:
    account_id = register(connection)
    meters = Meters()
    metering.count(meters, 1, {account_id: Tally(1, 1, 0, 0)}, lag_s=0.0)
    metering.write_minute(meters, connection)
    assert connection.execute("select count(*) from intake_minute").fetchone() == (0,)
    meters.written_at -= metering.EVERY_S
    metering.write_minute(meters, connection)
    assert connection.execute("select count(*) from intake_minute").fetchone() == (1,)
