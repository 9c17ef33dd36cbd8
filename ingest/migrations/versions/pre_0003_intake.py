"""What is known of gaps in the numbers of records, of devices' clocks, and of loads that were broken off."""

from ingest.migrations.run import run_sql

revision = "pre_0003"
down_revision = "pre_0002"


def upgrade() -> None:
    run_sql("pre_0003_intake.sql")
