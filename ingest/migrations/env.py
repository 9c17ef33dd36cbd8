"""Run the migrations on the connection that :func:`ingest.database.migrate` hands over."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    transaction_per_migration=True,
    version_table="schema_version",
)
with context.begin_transaction():
    context.run_migrations()
