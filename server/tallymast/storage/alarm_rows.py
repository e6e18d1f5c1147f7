"""Keeps which alarms are set up: their rows are entered, follow a change, and are retired.

A row is of one gateway, site and point and of one name, so it stays the same one, with its
journal, when its site is given another key. The name is its kind; where a point has several of one
kind, as limits of a supply, it is the last part of its key.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update

from tallymast.domain.alarms.model import Alarm, AlarmState, Event, Kind
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_alarm, _state, _journal = schema.alarm, schema.alarm_state, schema.alarm_journal
_Place = tuple[int | None, int | None, int | None, str]  # gateway, site, point, name
GONE = "It is not set up any more."


def enter(conn: Connection, alarms: Mapping[str, Alarm], at_ms: int) -> bool:
    """Make the rows say what is set up now; return whether anything changed.

    What is set up no more is retired: its journal stays, and is told that it ended.

    Args:
        conn: a writing connection.
        alarms: all of the network, by key.
        at_ms: the instant, UTC milliseconds.

    """
    places, rows = _Places.read(conn), conn.execute(select(_alarm).order_by(_alarm.c.id)).all()
    known = _Known.of(rows)
    wanted = {key: _wanted(one, places) for key, one in alarms.items()}
    found = {key: known.row(key, row) for key, row in wanted.items()}
    kept = {row.id for row in found.values() if row is not None}
    gone = [row.id for row in rows if row.retired_ms is None and row.id not in kept]
    _retire(conn, gone, at_ms)
    changed = [
        (row, wanted[key]) for key, row in found.items() if row and _differs(row, wanted[key])
    ]
    for row, values in changed:
        conn.execute(update(_alarm).where(_alarm.c.id == row.id).values(**values))
    new = [{**wanted[key], "entered_ms": at_ms} for key, row in found.items() if row is None]
    if new:
        conn.execute(insert(_alarm), new)
    if not (new or changed or gone):
        return False
    seq = log_change(conn, at_ms, "alarm", "")
    for row, values in changed:
        if row.key != values["key"]:  # whoever reads what is new finds it under its new key
            conn.execute(update(_state).where(_state.c.alarm_id == row.id).values(seq=seq))
    return True


def _retire(conn: Connection, gone: list[int], at_ms: int) -> None:
    for number in gone:
        conn.execute(update(_alarm).where(_alarm.c.id == number).values(retired_ms=at_ms))
        state = conn.execute(select(_state.c.state).where(_state.c.alarm_id == number)).scalar()
        if state is not None and state != AlarmState.NORMAL.value:
            line = {"at_ms": at_ms, "alarm_id": number, "from_state": state, "note": GONE}
            line |= {"event": Event.CLEARED.value, "to_state": AlarmState.NORMAL.value}
            conn.execute(insert(_journal), {**line, "value": "", "actor": ""})
        conn.execute(delete(_state).where(_state.c.alarm_id == number))


@dataclass(frozen=True, slots=True)
class _Places:
    """Numbers of what alarms are about."""

    gateways: Mapping[str, int]
    sites: Mapping[str, int]
    points: Mapping[tuple[int, str], int]

    @staticmethod
    def read(conn: Connection) -> "_Places":
        gateway, site, point = schema.gateway.c, schema.site.c, schema.point.c
        return _Places(
            {row.key: row.id for row in conn.execute(select(gateway.key, gateway.id))},
            {row.key: row.id for row in conn.execute(select(site.key, site.id))},
            {
                (row.site_id, row.tag): row.id
                for row in conn.execute(select(point.site_id, point.tag, point.id))
            },
        )


@dataclass(frozen=True, slots=True)
class _Known:
    """Rows that are there, the used ones before the retired ones."""

    by_place: Mapping[_Place, Row[Any]]
    by_key: Mapping[str, Row[Any]]

    @staticmethod
    def of(rows: list[Row[Any]] | Any) -> "_Known":
        used_last = sorted(rows, key=lambda row: row.retired_ms is None)
        return _Known(
            {_place(row._mapping): row for row in used_last if row.kind},
            {row.key: row for row in used_last},
        )

    def row(self, key: str, wanted: Mapping[str, Any]) -> Row[Any] | None:
        """Return the row of the same place and kind; else a bare one, or one of no place."""
        found = self.by_place.get(_place(wanted))
        if found is not None:
            return found
        named = self.by_key.get(key)
        return named if named is not None and not named.kind else None


def _place(row: Mapping[str, Any]) -> _Place:
    is_only = row["site_id"] is None and row["kind"] != Kind.PERMIT.value
    name = row["kind"] if is_only else row["key"].rpartition("/")[2]
    return row["gateway_id"], row["site_id"], row["point_id"], name


def _wanted(one: Alarm, places: _Places) -> dict[str, Any]:
    site_id = places.sites.get(one.site)
    point_id = None if site_id is None else places.points.get((site_id, one.tag))
    return {
        "key": one.key,
        "gateway_id": places.gateways.get(one.gateway) if not one.site else None,
        "site_id": site_id,
        "point_id": point_id,
        "kind": one.kind.value,
        "priority": one.priority.value,
        "params": canonical(_params(one)),
        "rationale": one.rationale,
        "consequence": one.consequence,
        "response": one.response,
        "on_delay_ms": round(1000 * one.on_delay_s),
        "off_delay_ms": round(1000 * one.off_delay_s),
        "deadband": one.deadband,
        "first_up_group": one.first_up,
        "latched": int(one.latched),
        "retired_ms": None,
    }


def _params(one: Alarm) -> dict[str, Any]:
    params: dict[str, Any] = {"limit": one.limit, "call_when": one.call_when}
    if one.other:
        params["other"] = one.other
    if one.over_s:
        params["over_s"] = one.over_s
    return params


def _differs(row: Row[Any], wanted: Mapping[str, Any]) -> bool:
    return any(row._mapping[name] != value for name, value in wanted.items())
