"""Findings about points in sentences: what, since when, what was good last, what to do."""

from zoneinfo import ZoneInfo

from tests.routes.conftest import NOW_MS, World, world

from tallymast.domain.health.findings import ContactAlarm, Finding, NoValue, Outside
from tallymast.domain.model import Point, Quality, Reading, Site
from tallymast.routes.formats import Clock
from tallymast.routes.sentences import sentence

__all__ = ["world"]

CLOCK = Clock(ZoneInfo("UTC"), NOW_MS)  # Sunday 8 March 2026, 10:00
HOUR = 3_600_000


def said(finding: Finding) -> str:
    return sentence(finding, CLOCK).striptags()


def point(world: World, tag: str) -> tuple[Site, Point]:
    site = world.plan("quill-tank").site
    found = site.point(tag)
    assert found is not None
    return site, found


def test_a_value_that_is_lost_tells_for_how_long_and_what_was_good_last(world: World) -> None:
    site, level = point(world, "LVL")
    reading = Reading("LVL", None, 3580, Quality.NONE, NOW_MS, "loop 3.58 mA")
    lost = NoValue(
        site, level, reading, since_ms=NOW_MS - 144 * HOUR, last_ms=NOW_MS - 145 * HOUR, last=2.84
    )
    assert said(lost) == (
        "Quill Tank: level UNKNOWN for 6 days (loop 3.58 mA); last good 2.84 of 5.00 m at "
        "Mon 2 Mar 09:00. Gauge by hand before relying on it."
    )


def test_what_is_not_known_of_it_is_left_out(world: World) -> None:
    site, level = point(world, "LVL")
    reading = Reading("LVL", None, 3580, Quality.NONE, NOW_MS, "loop 3.58 mA")
    assert said(NoValue(site, level, reading)) == (
        "Quill Tank: level UNKNOWN (loop 3.58 mA). Gauge by hand before relying on it."
    )


def test_beyond_a_limit_tells_since_when(world: World) -> None:
    site, level = point(world, "LVL")
    reading = Reading("LVL", 4.7, 19_040, Quality.GOOD, NOW_MS)
    high = Outside(site, level, reading, 4.5, above=True, since_ms=NOW_MS - 2 * HOUR)
    assert said(high) == (
        "Quill Tank: level 4.70 m at 10:00, above its high limit 4.50 m since 08:00 (2 h)."
    )


def test_a_contact_tells_since_when(world: World) -> None:
    site, hatch = point(world, "HATCH")
    reading = Reading("HATCH", True, True, Quality.GOOD, NOW_MS)
    opened = ContactAlarm(site, hatch, reading, since_ms=NOW_MS - HOUR // 2)
    assert said(opened) == "Quill Tank: hatch is open at 10:00 since 09:30 (30 min)."
