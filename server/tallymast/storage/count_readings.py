"""Reads what counting points of a site showed, poll by poll, and its counter of restarts.

Only good readings: one whose time is in doubt would be judged by a wrong elapsed time, so it is
passed over, and the next good one bridges it.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.model import LayoutPoint, Point, PollFlag, SiteLayout, SitePlan
from tallymast.domain.record.columns import decode_column, registers_of
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.totals.meters import restart_point, starts_modulus
from tallymast.domain.totals.model import Floats, Ints, Readings, Starts
from tallymast.storage.clock_steps import is_suspect, suspect_spans
from tallymast.storage.parts import Part, read_parts
from tallymast.storage.point_hours import load_hours

_REACHES_MS = tuple(HOUR_MS * hours for hours in (3, 48, 31 * 24, 400 * 24))
_LARGEST = 2**53  # beyond it a double skips whole numbers (IEEE 754); no pulse counter gets there


def count_readings(
    conn: Connection, plan: SitePlan, points: Sequence[Point], from_ms: int, to_ms: int
) -> dict[str, Readings]:
    """Return each point's good readings of ``from_ms <= at_ms < to_ms``, by tag, ascending."""
    restarts = restart_point(plan.site)
    tags = {point.tag for point in points} | ({restarts.tag} if restarts else set())
    parts = read_parts(conn, plan.site_id, from_ms, to_ms, lambda layout: _registers(layout, tags))
    doubted = suspect_spans(conn, plan.site_id, from_ms, to_ms)
    starts = _starts(_pieces(parts, restarts.tag, doubted) if restarts else (), restarts)
    return {point.tag: _joined(_pieces(parts, point.tag, doubted), starts) for point in points}


def starts_between(conn: Connection, plan: SitePlan, from_ms: int, to_ms: int) -> Starts:
    """Return what a station's restart counter showed in ``from_ms <= at_ms < to_ms``."""
    restarts = restart_point(plan.site)
    if restarts is None or from_ms >= to_ms:
        return _starts((), restarts)
    return count_readings(conn, plan, (restarts,), from_ms, to_ms)[restarts.tag].starts


def reading_before(
    conn: Connection, plan: SitePlan, point_id: int, tag: str, at_ms: int
) -> int | None:
    """Return the clock hour of the last good reading before an instant; None: there is none."""
    return _nearest(conn, plan, point_id, tag, (at_ms, -1))


def reading_after(
    conn: Connection, plan: SitePlan, point_id: int, tag: str, at_ms: int
) -> int | None:
    """Return the clock hour of the first good reading from an instant on; None: none yet."""
    return _nearest(conn, plan, point_id, tag, (at_ms, 1))


def _nearest(
    conn: Connection, plan: SitePlan, point_id: int, tag: str, where: tuple[int, int]
) -> int | None:
    at_ms, way = where
    point = next(one for one in plan.site.points if one.tag == tag)
    looked: set[int] = set()
    for reach in _REACHES_MS:
        span = (at_ms - reach, at_ms) if way < 0 else (at_ms, at_ms + reach)
        hours = {
            int(row[0])
            for entry in load_hours(conn, plan.site_id, *span, point_id)
            for row in entry.rows
        }
        for hour_ms in sorted(hours - looked, reverse=way < 0):
            looked.add(hour_ms)
            if len(count_readings(conn, plan, (point,), hour_ms, hour_ms + HOUR_MS)[tag]):
                return hour_ms
    return None


# --- columns --------------------------------------------------------------------------

_Piece = tuple[Ints, Ints | Floats, LayoutPoint]


def _registers(layout: SiteLayout, tags: set[str]) -> Sequence[int]:
    some = [point for point in layout.points if point.tag in tags]
    return sorted({register for point in some for register in registers_of(layout, point)})


def _pieces(parts: Sequence[Part], tag: str, doubted: Sequence[tuple[int, int]]) -> list[_Piece]:
    found = []
    for part in parts:
        points: Mapping[str, LayoutPoint] = {point.tag: point for point in part.layout.points}
        if tag not in points:
            continue
        columns, point = part.columns, points[tag]
        column = decode_column(columns, part.layout, point)
        good = column.good & ((columns.flags & PollFlag.SUSPECT) == 0)
        good &= ~is_suspect(columns.at_ms, doubted)
        count = column.raw if column.raw.dtype == np.float64 else column.raw.astype(np.int64)
        good &= np.abs(count) < _LARGEST
        found.append((columns.at_ms[good], count[good], point))
    return [piece for piece in found if len(piece[0])]


def _starts(pieces: Sequence[_Piece], restarts: Point | None) -> Starts:
    nothing = np.empty(0, np.int64)
    modulus = None if restarts is None else starts_modulus(restarts)
    at_ms = np.concatenate([nothing, *(piece[0] for piece in pieces)])
    count = np.concatenate([nothing, *(piece[1].astype(np.int64) for piece in pieces)])
    order = np.argsort(at_ms, kind="stable")
    return Starts(at_ms[order], count[order], modulus)


def _joined(pieces: Sequence[_Piece], starts: Starts) -> Readings:
    """Return pieces of several layouts as one; it is told where the words change their meaning."""
    if not pieces:
        nothing = np.empty(0, np.int64)
        return Readings(nothing, nothing, starts, nothing > 0)
    at_ms = np.concatenate([piece[0] for piece in pieces])
    meanings = [_meaning(piece[2]) for piece in pieces]
    kinds = np.concatenate(
        [
            np.full(len(piece[0]), meanings.index(meaning))
            for piece, meaning in zip(pieces, meanings, strict=True)
        ]
    )
    order = np.argsort(at_ms, kind="stable")
    kinds = kinds[order]
    changed = np.concatenate(([False], kinds[1:] != kinds[:-1]))
    return Readings(
        at_ms[order],
        np.concatenate([piece[1] for piece in pieces])[order],
        starts,
        changed,
    )


def _meaning(point: LayoutPoint) -> tuple[object, ...]:
    """Return by what the words of a count are understood; its place does not matter."""
    return (point.layout, point.length, point.bit, point.word_order, point.byte_order)
