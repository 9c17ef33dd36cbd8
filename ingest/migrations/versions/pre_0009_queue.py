"""The queue of work in the background."""

from ingest.migrations.queue import bring_up_to_date

revision = "pre_0009"
down_revision = "pre_0008"


def upgrade() -> None:
    bring_up_to_date()
