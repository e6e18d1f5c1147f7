"""Keeps how messages leave the house and what is at fault there; never the mail's password."""

import json
from dataclasses import asdict
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.telling.secrets import Environment
from tallymast.domain.telling.settings import MailServer, Security, Telling
from tallymast.storage import setting
from tallymast.storage.changes import canonical, log_change

_KEY: Final = "telling"
_ENVIRONMENT: Final = "telling.environment"
_FAULT: Final = "telling.fault"


def load(conn: Connection) -> Telling:
    """Return what is set up; no mail server and no links where nobody set up any."""
    stored = setting.load(conn, _KEY)
    if not stored:
        return Telling()
    told = json.loads(stored)
    server = told.get("server")
    if server is not None:
        server = MailServer(**{**server, "security": Security(server["security"])})
    return Telling(server, told["public_url"], told["digest_hour"])


def keep(conn: Connection, telling: Telling, at_ms: int) -> None:
    """Keep what is set up, in place of what was there."""
    setting.keep(conn, _KEY, canonical(asdict(telling)))
    log_change(conn, at_ms, "telling", "")


def fault(conn: Connection) -> str:
    """Return in a sentence what the process that sends found wrong with itself; empty: nothing."""
    return setting.load(conn, _FAULT) or ""


def keep_fault(conn: Connection, said: str) -> None:
    """Keep what is wrong with sending, for every process that serves pages; empty: nothing."""
    setting.keep(conn, _FAULT, said)


def environment(conn: Connection) -> Environment:
    """Return which variables the process that sends found set when it was started."""
    stored = setting.load(conn, _ENVIRONMENT)
    if stored is None:
        return Environment()
    told = json.loads(stored)
    return Environment(told["at_ms"], frozenset(told["names"]), frozenset(told["short"]))


def keep_environment(conn: Connection, known: Environment) -> None:
    """Keep which variables are set, for every process that serves pages; never what they hold."""
    told = {"at_ms": known.at_ms, "names": sorted(known.names), "short": sorted(known.short)}
    setting.keep(conn, _ENVIRONMENT, canonical(told))
