"""Keeps what is named, look by look; writes only what is new."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from tallymast.domain.health.diagnosis.evidence import SiteEvidence
from tallymast.domain.health.diagnosis.experience import NO_EXPERIENCE, Experience
from tallymast.domain.health.diagnosis.lasting import Held, Key, looked_at, step
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.model import GatewayPlan
from tallymast.storage import finding_words, findings
from tallymast.storage.engine import Database

UNREAD: Final = -1


class FindingKeeper:
    """Remembers which findings stand, and stores what begins, changes and ends.

    Not for several threads at once.

    Args:
        database: where findings are kept.

    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._held: Mapping[Key, Held] = {}
        self._is_sure = False  # whether that is what is stored
        self._experience, self._newest_word = NO_EXPERIENCE, UNREAD

    def experience(self) -> Experience:
        """Return what visitors said so far; read again when anything of it changed.

        Raises:
            StorageError: the database refused.

        """
        with self._database.reading() as connection:
            newest = finding_words.newest_word(connection)
            if newest != self._newest_word:
                self._experience = finding_words.experience(connection)
                self._newest_word = newest
        return self._experience

    def look(
        self,
        now_ms: int,
        named: Sequence[Diagnosis],
        sites: Sequence[SiteEvidence],
        gateways: Sequence[GatewayPlan],
    ) -> bool:
        """Keep what is named now; return whether anything was stored.

        Args:
            now_ms: the instant of the look, UTC milliseconds.
            named: the causes, the surest first.
            sites: the evidence they were asked about.
            gateways: all of the network, with their sites.

        Raises:
            StorageError: the database refused; nothing of the look is stored, and the next
                look tries again.

        """
        before = self._before()
        wanted = step(before, named, looked_at(sites, gateways, named), now_ms)
        # Until the whole of it is stored, what ends goes on; what was named is remembered.
        self._held, self._is_sure = {**before, **wanted.held}, not wanted.writes
        if not wanted.writes:
            return False
        with self._database.writing() as connection:
            held = findings.keep(connection, wanted, now_ms)
        self._held, self._is_sure = held, True
        self._newest_word = UNREAD  # which findings still stand is part of experience
        return True

    def _before(self) -> Mapping[Key, Held]:
        """Return what stands: as remembered, or as stored where that is not sure."""
        if self._is_sure:
            return self._held
        with self._database.reading() as connection:
            stored = findings.standing(connection)
        return {key: _remembered(one, self._held.get(key)) for key, one in stored.items()}


def _remembered(stored: Held, known: Held | None) -> Held:
    if known is None or known.id != stored.id:
        return stored
    return replace(stored, last_ms=max(stored.last_ms, known.last_ms), absent_ms=known.absent_ms)
