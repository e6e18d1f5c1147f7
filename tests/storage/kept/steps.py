"""The schema's released steps, and a database brought up to one of them and no further."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Engine

KEPT = Path(__file__).resolve().parent


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "tallymast:storage/migrations")
    config.set_main_option("path_separator", "os")
    return config


def all_steps() -> list[str]:
    """Return every step of the schema, the oldest first."""
    script = ScriptDirectory.from_config(_config())
    return [step.revision for step in script.walk_revisions()][::-1]


def kept_steps() -> list[str]:
    """Return the steps of which a database is kept here, the oldest first."""
    return sorted(file.stem for file in KEPT.glob("*.sql"))


def dump_of(step: str) -> str:
    """Return a kept database as SQL."""
    return (KEPT / f"{step}.sql").read_text(encoding="utf-8")


def bring_to(engine: Engine, step: str) -> None:
    """Run every step up to this one in an empty database."""
    config = _config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, step)
