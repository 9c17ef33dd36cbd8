"""What was never received is told faster."""

from ingest.migrations.run import run_sql

revision = "pre_0006"
down_revision = "pre_0005"


def upgrade() -> None:
    run_sql("pre_0006_gaps.sql")
