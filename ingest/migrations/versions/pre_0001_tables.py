"""The first tables."""

from ingest.migrations.run import run_sql

revision = "pre_0001"
down_revision = None


def upgrade() -> None:
    run_sql("pre_0001_tables.sql", series=("start", "rest"))
