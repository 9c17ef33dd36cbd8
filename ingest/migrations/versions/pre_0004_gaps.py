"""Records that were never received, by device; what records say of a clock."""

from ingest.migrations.run import run_sql

revision = "pre_0004"
down_revision = "pre_0003"


def upgrade() -> None:
    run_sql("pre_0004_gaps.sql")
