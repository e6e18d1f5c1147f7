"""What a site's page shows of its life: season, hardware, due tasks, the newest hand reading."""

from dataclasses import dataclass

from tallymast.domain.life.hand_meter import Comparison, offset_words
from tallymast.domain.model import SitePlan
from tallymast.routes.life.as_reported import disagreements, reported_firmware, towards
from tallymast.routes.life.hardware_acts import sites_by_id
from tallymast.routes.life.hardware_rows import PartRow, rows_of
from tallymast.routes.life.season_lines import SeasonLine, season_line
from tallymast.routes.life.tasks_page import TaskRow, row_of
from tallymast.routes.life.typed import today_number
from tallymast.routes.services import Services
from tallymast.storage import hand_readings, hardware, tasks


@dataclass(frozen=True, slots=True)
class HandLine:
    """The newest hand reading, in words, and when it was."""

    words: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class AtSite:
    """One site's part."""

    season: SeasonLine
    parts: tuple[PartRow, ...]
    differ: tuple[str, ...]
    tasks: tuple[TaskRow, ...]
    hand: HandLine | None


def read_at_site(given: Services, plan: SitePlan) -> AtSite:
    """Return what a site's page shows of its life."""
    network, state = given.network(), given.live.sites().get(plan.site_id)
    with given.database.reading() as connection:
        season = season_line(connection, given, plan)
        parts = hardware.fitted(connection, plan.site_id)
        due = tasks.standing(connection, plan.site_id)
        read = hand_readings.of_site(connection, plan.site_id, 1)
    reported = reported_firmware(network, plan, state, given.now_ms())
    to = towards(network, plan)
    today = today_number(given)
    return AtSite(
        season,
        tuple(rows_of(parts, sites_by_id(network))),
        disagreements(plan, parts, reported[0] if reported else None, to),
        tuple(row_of(one, plan, today) for one in due),
        _hand(read[0]) if read else None,
    )


def _hand(one: hand_readings.HandReading) -> HandLine:
    seen = Comparison(one.hand, one.shown, one.offset_before)
    words = f"hand meter {one.hand:.2f}\u00a0V, the station {offset_words(seen.offset)}"
    return HandLine(words, one.at_ms)
