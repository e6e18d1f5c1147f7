"""Reads the last 24 h of every site for the pages."""

from collections.abc import Mapping

from tallymast.domain.model import HourCounts
from tallymast.routes.day import SiteDay
from tallymast.routes.services import Services
from tallymast.routes.tape import QUARTER_MS, QUARTERS, Quarter, Tape, draw_tape, tape_start_ms
from tallymast.storage import comms


def read_days(given: Services, now_ms: int) -> Mapping[int, SiteDay]:
    """Return every site's last 24 h up to ``now_ms``, by site id."""
    start = tape_start_ms(now_ms)
    end = start + QUARTERS * QUARTER_MS
    with given.database.reading() as connection:
        counted = comms.counts(connection, start, end)
        inked = comms.quarters(connection, start, end)
    return {
        site_id: SiteDay(counts, _tape(inked.get(site_id))) for site_id, counts in counted.items()
    } | {
        site_id: SiteDay(HourCounts(), _tape(table))
        for site_id, table in inked.items()
        if site_id not in counted
    }


def read_counts(given: Services, now_ms: int) -> Mapping[int, HourCounts]:
    """Return every site's polls of the last 24 h, to the quarter hour at the old end."""
    with given.database.reading() as connection:
        return comms.counts(connection, tape_start_ms(now_ms), now_ms + 1)


def _tape(table: comms.Numbers | None) -> Tape:
    if table is None:
        return Tape("", "")
    return draw_tape([Quarter(int(asked), int(missed)) for asked, missed in table])
