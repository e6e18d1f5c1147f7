"""Tells how long nobody looked for alarms, and what was abnormal before.

The last look is kept each minute and at the end; a start that finds it old keeps what that means
as long as a shift lasts, for every process that serves pages.
"""

import json
from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.alarms.model import Alarm, Alarms
from tallymast.domain.zones import find_zone
from tallymast.routes.alarm_words import called
from tallymast.routes.formats import Clock, lasting, plural
from tallymast.routes.services import NetworkView
from tallymast.storage import setting
from tallymast.storage.changes import canonical
from tallymast.storage.engine import Database

LOOKED: Final = "alarms.looked"
BLIND: Final = "alarms.blind"
LEAST_MS: Final = 120_000  # ours: twice the minute in which the last look is kept
SHOWN_MS: Final = 12 * 3_600_000  # ours: a shift, so that whoever comes in the morning reads it
NAMED: Final = 5  # ours: so many alarms are named, the rest is counted


def looked(conn: Connection, now_ms: int) -> None:
    """Keep that somebody looked for alarms at an instant."""
    setting.keep(conn, LOOKED, str(now_ms))


def begin(conn: Connection, before: Alarms, now_ms: int) -> None:
    """Keep, at a start, for how long nobody looked and which alarms were active before."""
    last = setting.load(conn, LOOKED)
    if last is not None and now_ms - int(last) >= LEAST_MS:
        active = [key for key, one in before.standings.items() if one.state.is_active]
        told = {"from": int(last), "to": now_ms, "active": sorted(active)}
        setting.keep(conn, BLIND, canonical(told))
    looked(conn, now_ms)


def blind_words(database: Database, view: NetworkView, alarms: Alarms, now_ms: int) -> str:
    """Return in sentences how long nobody looked, now or before the start; empty if all is well.

    Raises:
        StorageError: the database refused.

    """
    with database.reading() as conn:
        last, kept = setting.load(conn, LOOKED), setting.load(conn, BLIND)
    clock = Clock(find_zone(view.time_zone), now_ms)
    if last is not None and now_ms - int(last) >= LEAST_MS:
        return (
            f"Nobody has looked for alarms for {lasting(now_ms - int(last))}, since "
            f"{clock.words(int(last))}; what is shown is as it was then."
        )
    if kept is None:
        return ""
    told = json.loads(kept)
    is_shown = 0 <= now_ms - told["to"] < SHOWN_MS
    return _before_the_start(told, view, alarms, clock) if is_shown else ""


def _before_the_start(told: dict[str, Any], view: NetworkView, alarms: Alarms, clock: Clock) -> str:
    span = f"{clock.words(told['from'])} to {clock.words(told['to'])}"
    said = f"Blind for {lasting(told['to'] - told['from'])} ({span}): nobody looked for alarms."
    active = told["active"]
    if not active:
        return f"{said} None was active before."
    names = _names([alarms.alarms[key] for key in active if key in alarms.alarms], view)
    number = plural(len(active), "alarm was", "alarms were")
    return (
        f"{said} {number} active before: {names}." if names else f"{said} {number} active before."
    )


def _names(some: Sequence[Alarm], view: NetworkView) -> str:
    names = [called(one, view) for one in some[:NAMED]]
    if len(some) > NAMED:
        names.append(f"{len(some) - NAMED} more")
    return "; ".join(names)
