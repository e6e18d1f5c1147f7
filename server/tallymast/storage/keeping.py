"""Keeps how the record is to be kept, and what came of it: plans, the last backup, sizes."""

import json
from dataclasses import asdict, dataclass
from typing import Final

from sqlalchemy import Connection, func, select

from tallymast.domain.keeping import CopyPlan, Keeping
from tallymast.storage import schema, setting
from tallymast.storage.changes import canonical
from tallymast.storage.sizes import Sizes

_PLAN: Final = "copies.plan"
_LAST: Final = "copies.last"
_GOOD: Final = "copies.last-good"
_KEEPING: Final = "polls.keeping"
_SIZES: Final = "sizes"


@dataclass(frozen=True, slots=True)
class Attempt:
    """A backup that was tried.

    Attributes:
        at_ms: when.
        name: its file's name; empty where it failed.
        size: bytes.
        folder: where it lies.
        wrong: why it failed, in a sentence; empty where it did not.

    """

    at_ms: int
    name: str
    size: int
    folder: str
    wrong: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """Sizes and when they were taken."""

    at_ms: int
    sizes: Sizes


def load_plan(conn: Connection) -> CopyPlan:
    """Return when backups are made; the usual plan where nobody chose one."""
    stored = setting.load(conn, _PLAN)
    return CopyPlan(**json.loads(stored)) if stored else CopyPlan()


def keep_plan(conn: Connection, plan: CopyPlan) -> None:
    """Keep when backups are made."""
    setting.keep(conn, _PLAN, canonical(asdict(plan)))


def load_keeping(conn: Connection) -> Keeping:
    """Return how long polls are kept; for ever where nobody chose otherwise."""
    stored = setting.load(conn, _KEEPING)
    return Keeping(**json.loads(stored)) if stored else Keeping()


def keep_keeping(conn: Connection, keeping: Keeping) -> None:
    """Keep how long polls are kept."""
    setting.keep(conn, _KEEPING, canonical(asdict(keeping)))


def load_attempts(conn: Connection) -> tuple[Attempt | None, Attempt | None]:
    """Return the last backup that was tried, and the last that is whole."""
    found = [setting.load(conn, key) for key in (_LAST, _GOOD)]
    last, good = (Attempt(**json.loads(one)) if one else None for one in found)
    return last, good


def keep_attempt(conn: Connection, attempt: Attempt) -> None:
    """Keep what came of a backup."""
    stored = canonical(asdict(attempt))
    for key in (_LAST,) if attempt.wrong else (_LAST, _GOOD):
        setting.keep(conn, key, stored)


def begun_ms(conn: Connection, now_ms: int) -> int:
    """Return when this database was made: it is not copied for the night before that."""
    revision = schema.revision
    made = conn.execute(select(func.min(revision.c.at_ms))).scalar()
    return now_ms if made is None else int(made)


def load_sizes(conn: Connection) -> Measured | None:
    """Return the sizes last taken, None before the first time."""
    stored = setting.load(conn, _SIZES)
    if stored is None:
        return None
    body = json.loads(stored)
    return Measured(body["at_ms"], Sizes(**body["sizes"]))


def keep_sizes(conn: Connection, measured: Measured) -> None:
    """Keep the sizes taken."""
    setting.keep(conn, _SIZES, canonical(asdict(measured)))
