"""Keeps groups of meters and storages whose flows are held against each other."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.domain.record.days import Contract
from tallymast.domain.totals.balance import Amount, AreaTable, Balance, growth, metered, together
from tallymast.domain.totals.units import in_m3
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change
from tallymast.storage.readings import Goodness, raw_series
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volumes import Span, booked

_table = schema.balance_group
NEAR_MS = 3_600_000  # ours: a level that is an hour older than the span's end says nothing of it


@dataclass(frozen=True, slots=True)
class Storage:
    """A tank or pond: its level's point, and its surface by level.

    Attributes:
        error_m: how far a level may be off [m].

    """

    site_id: int
    tag: str
    table: AreaTable
    error_m: float = 0.01


@dataclass(frozen=True, slots=True)
class Group:
    """What flows into a part of the network, out of it, and is stored in it.

    Attributes:
        meter_error: a meter's own error as a share of what it counts. Ours: 2 %.

    """

    id: int
    name: str
    inflows: tuple[int, ...]
    outflows: tuple[int, ...]
    storages: tuple[Storage, ...] = ()
    meter_error: float = 0.02


def enter(conn: Connection, group: Group, *, at_ms: int, actor: str) -> Group:
    """Store a group (its number is given anew) and return it."""
    body = {
        "inflows": list(group.inflows),
        "outflows": list(group.outflows),
        "meter_error": group.meter_error,
        "storages": [
            {
                "site_id": one.site_id,
                "tag": one.tag,
                "levels_m": list(one.table.levels_m),
                "areas_m2": list(one.table.areas_m2),
                "error_m": one.error_m,
            }
            for one in group.storages
        ],
    }
    row = {"name": group.name, "body": canonical(body), "at_ms": at_ms, "actor": actor}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "balance", str(number))
    return _group(conn.execute(select(_table).where(_table.c.id == number)).one())


def retire(conn: Connection, number: int, at_ms: int) -> bool:
    """End a group; return whether it was there until now."""
    held = _table.c.retired_ms.is_(None)
    done = update(_table).where(_table.c.id == number, held).values(retired_ms=at_ms)
    return conn.execute(done).rowcount > 0


def in_force(conn: Connection) -> list[Group]:
    """Return the groups nobody ended, by name."""
    query = select(_table).where(_table.c.retired_ms.is_(None)).order_by(_table.c.name, _table.c.id)
    return [_group(row) for row in conn.execute(query)]


def balance(
    conn: Connection, group: Group, points: Mapping[int, Counted], span: Span, contract: Contract
) -> Balance | None:
    """Return a group's balance over a span of whole hours or days.

    Args:
        conn: in one read transaction.
        group: which.
        points: counting points by number.
        span: begin and end, UTC milliseconds.
        contract: when days begin.

    Returns:
        None where a meter is gone or has no factor, or a level at an end is not known.

    """
    sides = [
        [metered_of(conn, points.get(number), group.meter_error, span, contract) for number in side]
        for side in (group.inflows, group.outflows)
    ]
    stored = [stored_of(conn, one, span) for one in group.storages]
    known = [[one for one in side if one is not None] for side in (*sides, stored)]
    if [len(side) for side in known] != [len(side) for side in (*sides, stored)]:
        return None
    return Balance(*(together(side) for side in known))


def metered_of(
    conn: Connection, one: Counted | None, error: float, span: Span, contract: Contract
) -> Amount | None:
    """Return what a meter passed in a span [m³]; None where it is gone or has no factor.

    Args:
        conn: in one read transaction.
        one: the meter.
        error: its own error as a share of what it counts.
        span: begin and end, UTC milliseconds.
        contract: when days begin.

    """
    if one is None:
        return None
    (found,) = booked(conn, one, [span], contract)
    each = in_m3(found.unit)
    if found.volume is None or each is None:
        return None
    bounds = [
        None if bound is None else float(bound * each)
        for bound in (found.volume.unknown, found.volume.unproven)
    ]
    is_known = found.counted.known_share > 0.999 or bool(found.volume.unknown)
    unknown = bounds[0] if is_known else None  # time without any reading has no bound
    return metered(float(found.total * each), unknown, bounds[1], error)


def stored_of(conn: Connection, one: Storage, span: Span) -> Amount | None:
    """Return how much more a storage holds at a span's end [m³]; None: a level is not known."""
    levels = [_level(conn, one, at_ms) for at_ms in span]
    return growth(one.table, levels[0], levels[1], one.error_m)


def _level(conn: Connection, one: Storage, at_ms: int) -> float | None:
    """Return the last good level within an hour before an instant [m]."""
    series = raw_series(conn, one.site_id, one.tag, at_ms - NEAR_MS, at_ms + 1)
    good = series.quality == Goodness.GOOD
    return float(series.value[good][-1]) if good.any() else None


def _group(row: Row[Any]) -> Group:
    body = json.loads(row.body)
    storages = tuple(
        Storage(
            one["site_id"],
            one["tag"],
            AreaTable(tuple(one["levels_m"]), tuple(one["areas_m2"])),
            one["error_m"],
        )
        for one in body["storages"]
    )
    sides = (tuple(body["inflows"]), tuple(body["outflows"]))
    return Group(row.id, row.name, *sides, storages, body["meter_error"])
