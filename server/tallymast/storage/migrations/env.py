"""Runs the steps on the connection storage/migrate.py hands in, inside its transaction."""

from alembic import context

from tallymast.storage.migrate import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    version_table=VERSION_TABLE,
    # Alembic takes SQLite's DDL for not transactional; with the engine's begin event it is.
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
