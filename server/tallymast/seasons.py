"""Ends the polling of sites when their season ends, once a season, and never against a person.

Each time out of season becomes one not-polled episode with its planned end. A person who has a
site polled again is right until the next season; what a person began stays as it is.
"""

import logging
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from sqlalchemy import Connection

from tallymast.domain import network_file
from tallymast.domain.life.seasons import OutSpan, span_at
from tallymast.domain.model import Act, SitePlan
from tallymast.domain.zones import find_zone
from tallymast.storage import episodes, network
from tallymast.storage.engine import Database
from tallymast.storage.episodes import Episode

log = logging.getLogger(__name__)

LOOK_EVERY_MS: Final = 30_000  # ours: a season is not a matter of seconds
MARK: Final = "season"  # in an episode's detail: the first day of its time out of season
_NOT_POLLED: Final = Act.NOT_POLLED.value


class Seasons:
    """Looks now and then whether a season begins; cheap to be asked often."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._revision = -1
        self._next_ms = 0
        self._zone: tzinfo | None = None
        self._sites: tuple[SitePlan, ...] = ()

    def look(self, now_ms: int) -> int:
        """Begin and end what the calendar says; return how many sites changed."""
        with self._database.reading() as connection:
            revision = network.revision(connection)
            if revision == self._revision and 0 <= self._next_ms - now_ms <= LOOK_EVERY_MS:
                return 0
            if revision != self._revision:
                self._read(connection)
                self._revision = revision
        self._next_ms = now_ms + LOOK_EVERY_MS
        return self._turn(now_ms)

    def _read(self, connection: Connection) -> None:
        whole = network_file.build(network.load_written(connection), "the stored network")
        plan = network.load_plan(connection, whole)
        self._zone = find_zone(whole.time_zone)
        self._sites = tuple(
            site for gateway in plan.gateways for site in gateway.sites if site.site.in_service
        )

    def _turn(self, now_ms: int) -> int:
        assert self._zone is not None
        with self._database.reading() as connection:
            acts = episodes.open_acts(connection)
            wanted = [one for one in self._sites if self._changes(connection, one, acts, now_ms)]
        for site in wanted:
            with self._database.writing() as connection:
                self._change(connection, site, now_ms)
                log.info("season site=%s", site.site.key)
        return len(wanted)

    def _span(self, site: SitePlan, now_ms: int) -> OutSpan | None:
        """Return the time out of season that holds now, None where none does."""
        if site.site.season is None or self._zone is None:
            return None
        span = span_at(site.site.season, now_ms, self._zone)
        return span if span.holds(now_ms) else None

    def _changes(
        self, connection: Connection, site: SitePlan, acts: Sequence[Episode], now_ms: int
    ) -> bool:
        own = [one for one in acts if one.site_id == site.site_id]
        span = self._span(site, now_ms)
        if any(_is_wrong(one, span) for one in own):
            return True
        return span is not None and not own and not _was_begun(connection, site, span)

    def _change(self, connection: Connection, site: SitePlan, now_ms: int) -> None:
        """Do what is to be done, looking again: a person may have acted in between."""
        own = [one for one in episodes.open_acts(connection) if one.site_id == site.site_id]
        span = self._span(site, now_ms)
        moved = any(_is_wrong(one, span) for one in own)
        if moved:
            episodes.close_episode(connection, _NOT_POLLED, to_ms=now_ms, site_id=site.site_id)
        elif own or span is None or _was_begun(connection, site, span):
            return
        if span is not None:
            episodes.open_episode(
                connection,
                _NOT_POLLED,
                from_ms=now_ms,
                planned_end_ms=span.until_ms,
                site_id=site.site_id,
                reason="Out of season.",
                detail={MARK: span.first.isoformat()},
            )


def _is_wrong(act: Episode, span: OutSpan | None) -> bool:
    """Whether an open act was begun by a season that was changed or taken away meanwhile."""
    if MARK not in act.detail or act.kind != _NOT_POLLED:
        return False
    return span is None or act.planned_end_ms != span.until_ms


def _was_begun(connection: Connection, site: SitePlan, span: OutSpan) -> bool:
    """Whether this time out of season had its episode, or a person ended polling's end in it."""
    told = episodes.between(
        connection, span.from_ms, span.until_ms, site_id=site.site_id, kind=_NOT_POLLED
    )
    return any(
        one.detail.get(MARK) == span.first.isoformat() or _was_ended_early(one) for one in told
    )


def _was_ended_early(one: Episode) -> bool:
    """Whether a person had a site polled again before it was planned."""
    planned = one.planned_end_ms
    return one.to_ms is not None and (planned is None or one.to_ms < planned)
