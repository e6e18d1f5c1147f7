"""Keeps how alarms stand, and their journal, which only grows.

What a look or an act made of alarms is stored in the caller's transaction: standings, journal
and whatever belongs to them, or nothing. Who wants to change a standing that somebody else may
be changing calls ``alone`` first, reads, decides, and keeps; then nothing is overwritten.
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import fields
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, insert, or_, select

from tallymast.domain.alarms.model import AlarmState, Condition, Entry, Event, Standing, Step
from tallymast.storage import schema
from tallymast.storage.changes import canonical, insert_many, log_change, next_seq

_alarm, _state, _journal = schema.alarm, schema.alarm_state, schema.alarm_journal
_MANY: Final = 300  # ours: so many keys are asked for by name, more by reading all
_COLUMNS: Final = {column.name for column in _state.c}
_MORE: Final = tuple(one for one in fields(Standing) if one.name not in _COLUMNS)


def alone(conn: Connection) -> None:
    """Let nobody else change standings until this transaction ends; read only after it."""
    next_seq(conn)


def ids(conn: Connection) -> dict[str, int]:
    """Return the number of every alarm that is set up, by key."""
    query = select(_alarm.c.key, _alarm.c.id).where(_alarm.c.retired_ms.is_(None))
    return {row.key: row.id for row in conn.execute(query)}


def key_of(conn: Connection, number: int) -> str | None:
    """Return the key of an alarm by its number, a retired one's too; None if there is none."""
    found = conn.execute(select(_alarm.c.key).where(_alarm.c.id == number)).scalar()
    return None if found is None else str(found)


# --- standings ------------------------------------------------------------------------


def load(conn: Connection) -> dict[str, Standing]:
    """Return how every alarm stands of which anything was stored, by key."""
    return since(conn, -1)[1]


def since(conn: Connection, seq: int) -> tuple[int, dict[str, Standing]]:
    """Return what was stored after ``seq``, and the number to ask with the next time."""
    query = _standing().where(_state.c.seq > seq)
    rows = conn.execute(query).all()
    newest = max((row.seq for row in rows), default=seq)
    return newest, {row.key: _read(row) for row in rows}


def of_keys(conn: Connection, keys: Collection[str]) -> dict[str, Standing]:
    """Return how these alarms stand; those of which nothing was stored are not in it."""
    if len(keys) > _MANY:
        return {key: one for key, one in load(conn).items() if key in keys}
    return {row.key: _read(row) for row in conn.execute(_standing().where(_alarm.c.key.in_(keys)))}


def keep(conn: Connection, steps: Mapping[str, Step], at_ms: int) -> int:
    """Store standings and add what happened to the journal.

    An alarm that was never entered is kept by its key alone, so that nothing of it is lost.

    Args:
        conn: a writing connection.
        steps: by the alarms' keys.
        at_ms: when it is stored.

    Returns:
        The number of the change feed its rows carry.

    """
    seq = log_change(conn, at_ms, "alarm", "")
    numbers = _numbers(conn, steps.keys(), at_ms)
    states = [_row(numbers[key], seq, step.standing) for key, step in steps.items()]
    if states:
        insert_many(conn, _state, states)
    lines = [_line(numbers[key], entry) for key, step in steps.items() for entry in step.entries]
    if lines:
        conn.execute(insert(_journal), sorted(lines, key=lambda one: int(one["at_ms"])))
    return seq


def _numbers(conn: Connection, keys: Collection[str], at_ms: int) -> dict[str, int]:
    query = select(_alarm.c.key, _alarm.c.id).where(_alarm.c.retired_ms.is_(None))
    if len(keys) <= _MANY:
        query = query.where(_alarm.c.key.in_(keys))
    known = {row.key: int(row.id) for row in conn.execute(query)}
    for key in keys:
        if key not in known:
            known[key] = _bare(conn, key, at_ms)
    return known


def _bare(conn: Connection, key: str, at_ms: int) -> int:
    row = {
        "key": key,
        "params": "{}",
        "on_delay_ms": 0,
        "off_delay_ms": 0,
        "deadband": 0.0,
        "latched": 0,
        "entered_ms": at_ms,
        **dict.fromkeys(("kind", "priority", "rationale", "consequence", "response"), ""),
        "first_up_group": "",
    }
    return int(conn.execute(insert(_alarm).returning(_alarm.c.id), row).scalar_one())


def _standing() -> Select[Any]:
    joined = _state.join(_alarm, _alarm.c.id == _state.c.alarm_id)
    query = select(_alarm.c.key, _state).select_from(joined)
    return query.where(_alarm.c.retired_ms.is_(None))


def _row(number: int, seq: int, one: Standing) -> tuple[Any, ...]:
    """In the order of the table's columns."""
    return (
        number,
        seq,
        one.state.value,
        one.condition.value,
        one.raised_ms,
        one.cleared_ms,
        one.acked_ms,
        one.acked_by,
        one.pending_ms,
        one.pending_n,
        one.seen_ms,
        one.value,
        one.shelved_until_ms,
        one.shelved_by,
        one.shelved_why,
        one.suppressed_by,
        one.out_of_service,
        int(one.first),
        _more(one),
    )


def _more(one: Standing) -> str:
    """Return what a standing holds besides the columns, as far as it is not what is usual."""
    held = {some.name: getattr(one, some.name) for some in _MORE}
    usual = {some.name: some.default for some in _MORE}
    return canonical({name: value for name, value in held.items() if value != usual[name]})


def _read(row: Row[Any]) -> Standing:
    more = json.loads(row.detail)
    known = {one.name for one in _MORE}
    return Standing(
        state=AlarmState(row.state),
        condition=Condition(row.condition),
        raised_ms=row.raised_ms,
        cleared_ms=row.cleared_ms,
        acked_ms=row.acked_ms,
        acked_by=row.acked_by,
        pending_ms=row.pending_ms,
        pending_n=row.pending_n,
        seen_ms=row.seen_ms,
        value=row.value,
        shelved_until_ms=row.shelved_until_ms,
        shelved_by=row.shelved_by,
        shelved_why=row.shelved_why,
        suppressed_by=row.suppressed_by,
        out_of_service=row.out_of_service,
        first=bool(row.first),
        **{name: value for name, value in more.items() if name in known},
    )


# --- the journal ----------------------------------------------------------------------


def journal(
    conn: Connection,
    from_ms: int,
    to_ms: int,
    *,
    alarm: str = "",
    site: str = "",
    before_id: int | None = None,
    limit: int = 200,
) -> list[tuple[int, Entry]]:
    """Return what happened in a span, the newest first, each with the number of its line.

    Args:
        conn: a reading connection.
        from_ms: begin of the span, UTC milliseconds.
        to_ms: its end, not included.
        alarm: only of the alarm with this key.
        site: only of alarms of the site with this key.
        before_id: only lines written before this one.
        limit: how many at most.

    """
    joined = _journal.join(_alarm, _alarm.c.id == _journal.c.alarm_id)
    query = select(_alarm.c.key, _journal).select_from(joined)
    query = query.where(_journal.c.at_ms >= from_ms, _journal.c.at_ms < to_ms)
    if alarm:
        query = query.where(_alarm.c.key == alarm)
    if site:
        its = select(schema.site.c.id).where(schema.site.c.key == site)
        named = _alarm.c.key.startswith(f"{site}/", autoescape=True)
        query = query.where(or_(_alarm.c.site_id.in_(its), named))
    if before_id is not None:
        query = query.where(_journal.c.id < before_id)
    rows = conn.execute(query.order_by(_journal.c.id.desc()).limit(limit))
    return [(row.id, _entry(row)) for row in rows]


def moved(conn: Connection, from_ms: int, to_ms: int) -> set[int]:
    """Return the numbers of the alarms to which anything happened in a span."""
    query = select(_journal.c.alarm_id).distinct()
    within = query.where(_journal.c.at_ms >= from_ms, _journal.c.at_ms < to_ms)
    return set(conn.execute(within).scalars())


def _line(number: int, one: Entry) -> dict[str, Any]:
    return {
        "at_ms": one.at_ms,
        "alarm_id": number,
        "event": one.event.value,
        "from_state": one.before.value,
        "to_state": one.after.value,
        "value": one.value,
        "actor": one.actor,
        "note": one.note,
    }


def _entry(row: Row[Any]) -> Entry:
    return Entry(
        at_ms=row.at_ms,
        alarm=row.key,
        event=Event(row.event),
        before=AlarmState(row.from_state),
        after=AlarmState(row.to_state),
        value=row.value,
        actor=row.actor,
        note=row.note,
    )
