"""Keeps what people wrote of alarms in place of what is built in, one setting an alarm.

It is kept by the alarm's number: that stays when its site or point is given another name, and it
is still there when the alarm is set up no more. Words that are all taken back are deleted; who had
written them stands in the audit.
"""

import json
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row, delete, select

from tallymast.domain.alarms.rationalised import TERMS, Written, fields_of
from tallymast.domain.model import Priority
from tallymast.storage import schema, setting
from tallymast.storage.changes import canonical, log_change

_PREFIX: Final = "alarm-words:"
_setting, _alarm = schema.setting, schema.alarm
_gateway, _site, _point = schema.gateway, schema.site, schema.point


@dataclass(frozen=True, slots=True)
class Kept:
    """Words of an alarm: its number, its key, and its key by the names that hold now.

    The last two differ for the moment between a change of names and the next look at alarms.
    """

    number: int
    key: str
    key_now: str
    is_set_up: bool
    written: Written


def keep(conn: Connection, number: int, written: Written) -> None:
    """Keep what is written of an alarm in place of what was; nothing written is not kept."""
    key = f"{_PREFIX}{number}"
    if written.is_empty:
        conn.execute(delete(_setting).where(_setting.c.key == key))
    else:
        told = {**fields_of(written), "actor": written.actor, "at_ms": written.at_ms}
        setting.keep(conn, key, canonical(told))
    log_change(conn, written.at_ms, "alarm", "")


def of_alarm(conn: Connection, number: int) -> Written:
    """Return what is written of an alarm; an empty one where nobody wrote anything."""
    found = setting.load(conn, f"{_PREFIX}{number}")
    return Written() if found is None else _read(found)


def every(conn: Connection) -> tuple[Kept, ...]:
    """Return all that is written, also of alarms that are set up no more, by number."""
    query = select(_setting.c.key, _setting.c.value).where(_setting.c.key.startswith(_PREFIX))
    found = {int(key.removeprefix(_PREFIX)): _read(value) for key, value in conn.execute(query)}
    if not found:
        return ()
    named = (
        select(
            _alarm,
            _gateway.c.key.label("gateway_key"),
            _site.c.key.label("site_key"),
            _point.c.tag,
        )
        .select_from(_alarm)
        .outerjoin(_gateway, _gateway.c.id == _alarm.c.gateway_id)
        .outerjoin(_site, _site.c.id == _alarm.c.site_id)
        .outerjoin(_point, _point.c.id == _alarm.c.point_id)
        .where(_alarm.c.id.in_(sorted(found)))
        .order_by(_alarm.c.id)
    )
    return tuple(
        Kept(row.id, row.key, _key_now(row), row.retired_ms is None, found[row.id])
        for row in conn.execute(named)
    )


def in_force(conn: Connection) -> dict[str, Written]:
    """Return what is written of the alarms that are set up, by key.

    A change of names is followed at once: the key by the new names leads to the words as well.
    """
    some = [one for one in every(conn) if one.is_set_up]
    return {one.key_now: one.written for one in some} | {one.key: one.written for one in some}


def _key_now(row: Row[Any]) -> str:
    if row.gateway_key is not None:
        return f"/gateway/{row.gateway_key}"
    if row.site_key is None:
        return str(row.key)
    _, tag, kind = row.key.split("/", 2)
    return f"{row.site_key}/{row.tag if tag and row.tag is not None else tag}/{kind}"


def _read(text: str) -> Written:
    told = json.loads(text)
    priority = Priority(told["priority"]) if "priority" in told else None
    words = {name: str(told.get(name, "")) for name in TERMS}
    return Written(priority, **words, actor=told["actor"], at_ms=told["at_ms"])
