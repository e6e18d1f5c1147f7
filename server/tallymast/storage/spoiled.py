"""Reads in which hours answers came garbled, or as exceptions: of most sites never."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from sqlalchemy import Connection, or_, select

from tallymast.domain.model import Outcome, PollFlag
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.storage import schema

_hour, _poll = schema.comm_hour, schema.poll


@dataclass(frozen=True, slots=True)
class Spoiled:
    """A site's polls that ended garbled, and those refused, by the beginning of their hour."""

    garbled: dict[int, int] = field(default_factory=dict)
    refused: dict[int, int] = field(default_factory=dict)


NOT_SPOILED = Spoiled()


def spoiled_hours(conn: Connection, from_ms: int, to_ms: int) -> Mapping[int, Spoiled]:
    """Return the hours with garbled or refused polls that begin in a span, by site id.

    Polls in maintenance are in none. Hours that are still open are counted from their polls.
    """
    found: dict[int, Spoiled] = {}
    for site_id, hour_ms, garbled, refused in _closed(conn, from_ms, to_ms):
        _add(found, site_id, hour_ms, garbled, refused)
    for site_id, at_ms, outcome, flags in _hot(conn, from_ms, to_ms):
        is_refused = bool(flags & PollFlag.REFUSED) and outcome <= Outcome.RETRIED
        hour_ms = at_ms - at_ms % HOUR_MS
        _add(found, site_id, hour_ms, int(outcome == Outcome.GARBLED), int(is_refused))
    return found


def _closed(conn: Connection, from_ms: int, to_ms: int) -> list[tuple[int, int, int, int]]:
    # Asked site by site, so that a span costs its own rows, not a year's.
    query = select(_hour.c.site_id, _hour.c.hour_ms, _hour.c.garbled, _hour.c.refused).where(
        _hour.c.site_id.in_(select(schema.site.c.id)),
        _hour.c.hour_ms >= from_ms - from_ms % HOUR_MS,
        _hour.c.hour_ms < to_ms,
        or_(_hour.c.garbled > 0, _hour.c.refused > 0),
    )
    return [(row[0], row[1], row[2], row[3]) for row in conn.execute(query)]


def _hot(conn: Connection, from_ms: int, to_ms: int) -> list[tuple[int, int, int, int]]:
    spoiled = or_(
        _poll.c.outcome == int(Outcome.GARBLED),
        _poll.c.flags.bitwise_and(int(PollFlag.REFUSED)) != 0,
    )
    query = select(_poll.c.site_id, _poll.c.at_ms, _poll.c.outcome, _poll.c.flags).where(
        _poll.c.at_ms >= from_ms,
        _poll.c.at_ms < to_ms,
        _poll.c.flags.bitwise_and(int(PollFlag.MAINTENANCE)) == 0,
        spoiled,
    )
    return [(row[0], row[1], row[2], row[3]) for row in conn.execute(query)]


def _add(found: dict[int, Spoiled], site_id: int, hour_ms: int, garbled: int, refused: int) -> None:
    one = found.setdefault(site_id, Spoiled())
    if garbled:
        one.garbled[hour_ms] = one.garbled.get(hour_ms, 0) + garbled
    if refused:
        one.refused[hour_ms] = one.refused.get(hour_ms, 0) + refused
