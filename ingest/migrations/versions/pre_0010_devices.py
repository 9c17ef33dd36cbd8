"""The list of an account's devices is read page by page."""

from ingest.migrations.run import run_sql

revision = "pre_0010"
down_revision = "pre_0009"


def upgrade() -> None:
    run_sql("pre_0010_devices.sql")
