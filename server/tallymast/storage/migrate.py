"""Brings a database's schema up to date, all steps in one transaction.

Safe under a kill at any instant and under several starts at a time: the transaction begins
IMMEDIATE (SQLite) or takes an advisory lock (PostgreSQL) before it looks at the version, and
DDL is part of it in both dialects.
"""

from threading import Lock

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, inspect, text

from tallymast.domain.errors import StorageError

VERSION_TABLE = "schema_version"
_LOCK = 0x7A11_3A57  # ours: any number, the same in every Tallymast
_one_at_a_time = Lock()  # Alembic keeps the running migration in module globals


def migrate(engine: Engine, place: str) -> None:
    """Run every step the database lacks.

    Raises:
        StorageError: the tables are not ours, or were made by a newer Tallymast.

    """
    config = _config()
    steps = ScriptDirectory.from_config(config)
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        version = _version(connection, steps, place)
        if version != steps.get_current_head():
            _run(connection, config)


def known_steps() -> frozenset[str]:
    """Return the names of the schema steps this version knows."""
    steps = ScriptDirectory.from_config(_config())
    return frozenset(step.revision for step in steps.walk_revisions())


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "tallymast:storage/migrations")
    config.set_main_option("path_separator", "os")
    return config


def _version(connection: Connection, steps: ScriptDirectory, place: str) -> str | None:
    """Return the schema's version, None where there is no schema yet."""
    tables = set(inspect(connection).get_table_names())
    if VERSION_TABLE not in tables:
        if tables:
            raise StorageError(
                f"{place} holds tables that are not Tallymast's ({', '.join(sorted(tables)[:3])}). "
                "Choose another place with --data-dir, or an empty database."
            )
        return None
    context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
    version = context.get_current_revision()
    if version is not None and version not in {step.revision for step in steps.walk_revisions()}:
        raise StorageError(
            f"{place} was written by a newer Tallymast (its schema is {version}). "
            "Install that version or a newer one; this one has changed nothing."
        )
    return version


def _run(connection: Connection, config: Config) -> None:
    config.attributes["connection"] = connection  # migrations/env.py takes it from there
    with _one_at_a_time:
        command.upgrade(config, "head")
