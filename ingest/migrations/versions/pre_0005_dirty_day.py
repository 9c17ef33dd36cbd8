"""Marking days costs less."""

from ingest.migrations.run import run_sql

revision = "pre_0005"
down_revision = "pre_0004"


def upgrade() -> None:
    run_sql("pre_0005_dirty_day.sql")
