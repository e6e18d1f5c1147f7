"""Reads the last 24 h of every site, and its last nights, for the pages."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo

from tallymast.domain.health.nights import Night, day_number
from tallymast.domain.local_times import local_time
from tallymast.domain.model import HourCounts, SitePlan
from tallymast.domain.record.rollups import answer_quantile_ms
from tallymast.domain.zones import find_zone
from tallymast.routes.day import SiteDay
from tallymast.routes.formats import calendar_day
from tallymast.routes.nights import NIGHTS_SHOWN, draw_nights
from tallymast.routes.services import Services
from tallymast.routes.tape import QUARTER_MS, QUARTERS, Quarter, Tape, draw_tape, tape_start_ms
from tallymast.storage import comms, episodes, nights


def read_days(given: Services, now_ms: int) -> Mapping[int, SiteDay]:
    """Return every site's last 24 h up to ``now_ms`` and its nights, by site id."""
    network = given.network()
    start = tape_start_ms(now_ms)
    end = start + QUARTERS * QUARTER_MS
    zone = find_zone(network.time_zone)
    today = day_number(local_time(now_ms, zone).date())
    with given.database.reading() as connection:
        heard = comms.contact(connection, start, end)
        dark = nights.load_nights(connection, today - NIGHTS_SHOWN + 1, today)
        paused = episodes.between(connection, now_ms, now_ms + 1, kind="not-polled")
    pauses = {one.site_id: _pause(one, zone) for one in paused}
    return {
        plan.site_id: replace(
            _day(
                plan,
                heard[plan.site_id].counts if plan.site_id in heard else HourCounts(),
                _tape(heard.get(plan.site_id)),
                dark.get(plan.site_id, ()),
                today,
            ),
            pause=pauses.get(plan.site_id, ""),
            answer_ms=_answer_ms(heard.get(plan.site_id)),
        )
        for plan in network.sites
    }


def read_counts(given: Services, now_ms: int) -> Mapping[int, HourCounts]:
    """Return every site's polls of the last 24 h, to the quarter hour at the old end."""
    with given.database.reading() as connection:
        return comms.counts(connection, tape_start_ms(now_ms), now_ms + 1)


def _day(
    plan: SitePlan, counts: HourCounts, tape: Tape, dark: Sequence[Night], today: int
) -> SiteDay:
    known = [night for night in dark if night.predawn_v is not None]
    newest = known[-1].predawn_v if known and known[-1].day >= today - 1 else None
    spark = draw_nights(dark, today, plan.site.supply)
    return SiteDay(counts, tape, spark, newest, len(known))


def _answer_ms(heard: comms.Contact | None) -> tuple[float, float] | None:
    if heard is None:
        return None
    middle, late = (answer_quantile_ms(heard.answers, share) for share in (0.5, 0.95))
    return None if middle is None or late is None else (middle, late)


def _pause(episode: episodes.Episode, zone: tzinfo) -> str:
    """Return why a site is not polled, and until when, as the end of a sentence."""
    reason = episode.reason.rstrip(".")
    words = reason[:1].lower() + reason[1:]
    if episode.planned_end_ms is None:
        return words
    return f"{words} until {calendar_day(episode.planned_end_ms, zone)}"


def _tape(heard: comms.Contact | None) -> Tape:
    if heard is None:
        return Tape("", "")
    return draw_tape([Quarter(asked, missed) for asked, missed in heard.tape.tolist()])
