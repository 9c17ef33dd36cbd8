"""What the call list sorts by, and what people do about a call: seen, put off, planned, done."""

from ingest.migrations.run import run_sql

revision = "pre_0002"
down_revision = "pre_0001"


def upgrade() -> None:
    run_sql("pre_0002_work.sql")
