"""Keeps when the test alarm is raised by itself; Monday 09:00 local until somebody says else."""

import json

from sqlalchemy import Connection

from tallymast.domain.alarms.weekly import Weekly, wrong
from tallymast.domain.errors import ConfigError
from tallymast.storage import setting
from tallymast.storage.changes import canonical

KEY = "alarms.weekly-test"


def load(conn: Connection) -> Weekly:
    """Return when it is raised."""
    kept = setting.load(conn, KEY)
    if kept is None:
        return Weekly()
    told = json.loads(kept)
    return Weekly(told["weekday"], told["hour"], told["on"])


def save(conn: Connection, weekly: Weekly) -> None:
    """Keep when it is raised.

    Raises:
        ConfigError: there is no such weekday or hour; what was kept stays.

    """
    mistakes = wrong(weekly)
    if mistakes:
        raise ConfigError(mistakes)
    told = {"weekday": weekly.weekday, "hour": weekly.hour, "on": weekly.on}
    setting.keep(conn, KEY, canonical(told))
