"""A few sampled starts of each unit are kept."""

from ingest.migrations.run import run_sql

revision = "pre_0007"
down_revision = "pre_0006"


def upgrade() -> None:
    run_sql("pre_0007_wave.sql")
