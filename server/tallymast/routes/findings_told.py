"""The findings of a period as plain sentences, for reports that are handed over."""

from collections.abc import Sequence

from tallymast.domain.zones import find_zone
from tallymast.routes.finding_rows import place_of, verdict_words
from tallymast.routes.paper_clock import PaperClock
from tallymast.routes.services import NetworkView
from tallymast.storage import findings
from tallymast.storage.engine import Database
from tallymast.storage.findings import KeptFinding, Wanted

MOST = 300  # ours: a report of a month names no more


def findings_told(
    database: Database, network: NetworkView, now_ms: int, from_ms: int, to_ms: int
) -> Sequence[str]:
    """Return what was named in a span, the oldest first, a plain sentence each."""
    with database.reading() as connection:
        found = findings.page(connection, Wanted(from_ms=from_ms, to_ms=to_ms), MOST)
    clock = PaperClock(find_zone(network.time_zone), now_ms, to_ms)
    return [_told(one, network, clock) for one in reversed(found)]


def _told(one: KeptFinding, network: NetworkView, clock: PaperClock) -> str:
    place, _ = place_of(one, network)
    until = "still named" if one.until_ms is None else f"named last {_at(clock, one.until_ms)}"
    said = f"{place}: {one.told.title} ({one.confidence.value}), since {_at(clock, one.since_ms)}"
    word = f"; visited: {verdict_words(one.word)}" if one.word else ""
    return f"{said}; {until}{word}."


def _at(clock: PaperClock, at_ms: int) -> str:
    return clock.at(at_ms).striptags()
