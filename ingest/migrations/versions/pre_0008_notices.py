"""Notices: people's targets and wishes, what was told, and what is remembered of units."""

from ingest.migrations.run import run_sql

revision = "pre_0008"
down_revision = "pre_0007"


def upgrade() -> None:
    run_sql("pre_0008_notices.sql")
