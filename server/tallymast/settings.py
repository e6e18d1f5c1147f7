"""Where data lies and where pages are served: options over environment over defaults, frozen."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from pydantic import Field, SecretStr, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from tallymast.domain.errors import ConfigError
from tallymast.domain.telling.secrets import PREFIX

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def default_data_dir() -> Path:
    """Return the person's own directory for application data (XDG Base Directory 0.8)."""
    base = os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(base) / "tallymast"


class Settings(BaseSettings):
    """What a run of Tallymast was told, by option or by ``TALLYMAST_…`` in the environment."""

    model_config = SettingsConfigDict(env_prefix="TALLYMAST_", frozen=True, extra="ignore")

    data_dir: Path = Field(default_factory=default_data_dir)
    database_url: str = ""
    host: str = "127.0.0.1"
    port: int = Field(default=8080, ge=0, le=65535)
    names: str = ""  # further host names under which the pages are asked for, with commas
    backup_dir: Path | None = None  # None: beside the database
    viewing: Literal["open", "login"] | None = None  # None: login outside the demo
    smtp_password: SecretStr = SecretStr("")  # of the mail server's user; from the environment only

    @property
    def is_local(self) -> bool:
        """Whether the pages are served to this machine alone."""
        return self.host in LOOPBACK

    @property
    def database(self) -> Path | str:
        """The database to open: the URL if one was given, else the file in the data directory."""
        return self.database_url or self.data_dir / "tallymast.sqlite3"


def webhook_secrets(environment: Mapping[str, str] = os.environ) -> dict[str, SecretStr]:
    """Return the secrets by which webhooks are signed, by variable; empty ones are none."""
    given = {name.upper(): value for name, value in environment.items() if value}
    return {name: SecretStr(value) for name, value in given.items() if name.startswith(PREFIX)}


def backups_of(settings: Settings) -> Path:
    """Return where backups lie: where it was said, else in the data directory."""
    return settings.backup_dir or settings.data_dir / "backups"


def reports_of(settings: Settings) -> Path:
    """Return where the months' reports lie."""
    return settings.data_dir / "reports"


def read_settings(**given: object) -> Settings:
    """Return the settings, with what was given on the command line first.

    Args:
        given: option values by field name; None means the option was not given.

    Raises:
        ConfigError: a value that cannot be used.

    """
    try:
        return Settings(**{key: value for key, value in given.items() if value is not None})  # type: ignore[arg-type]
    except ValidationError as error:
        raise ConfigError([_sentence(problem) for problem in error.errors()]) from error


def _sentence(problem: object) -> str:
    assert isinstance(problem, dict)
    field = str(problem["loc"][0])
    expected = {
        "port": "a number from 0 to 65535",
        "viewing": "open or login",
    }.get(field, "a usable value")
    return (
        f"--{field.replace('_', '-')} (or TALLYMAST_{field.upper()}) is {problem['input']!r}; "
        f"it has to be {expected}."
    )
