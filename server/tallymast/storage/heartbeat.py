"""Keeps where the sign of life goes, and how often; off until somebody sets it up."""

import json
from dataclasses import asdict

from sqlalchemy import Connection

from tallymast.domain.errors import ConfigError
from tallymast.domain.heartbeat import Heartbeat, HeartbeatNow, wrong
from tallymast.storage import setting
from tallymast.storage.changes import canonical

KEY = "heartbeat"
TOLD = "heartbeat.told"


def load(conn: Connection) -> Heartbeat:
    """Return where it goes; off where nothing was set up."""
    kept = setting.load(conn, KEY)
    if kept is None:
        return Heartbeat()
    told = json.loads(kept)
    return Heartbeat(told["url"], told["every_min"], told.get("posts", False))


def save(conn: Connection, beat: Heartbeat) -> None:
    """Keep where it goes, from the next minute on; an empty address ends it.

    Raises:
        ConfigError: it cannot be used so; what was kept stays.

    """
    mistakes = wrong(beat)
    if mistakes:
        raise ConfigError(mistakes)
    told = {"url": beat.url, "every_min": beat.every_min, "posts": beat.posts}
    setting.keep(conn, KEY, canonical(told))


def tell(conn: Connection, now: HeartbeatNow) -> None:
    """Keep how sending goes, for every process that serves pages."""
    setting.keep(conn, TOLD, canonical(asdict(now)))


def told(conn: Connection) -> HeartbeatNow:
    """Return how sending goes, as it was kept last."""
    kept = setting.load(conn, TOLD)
    return HeartbeatNow(**json.loads(kept)) if kept is not None else HeartbeatNow()
