"""How a count goes on over a new station, by hand."""

from dataclasses import replace

import pytest

from tallymast.domain.health.diagnosis.point_clues import PointClues
from tallymast.domain.health.diagnosis.point_restarts import Fallen, Restart
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.life.replacing import Bridge, bridge_words, doubt, without_replacements

MINUTE = 60_000
FELL = Restart(100 * MINUTE, 130 * MINUTE, 0, (Fallen("TOT1", 48_112, 7, None),))


def test_the_old_count_goes_on() -> None:
    # By hand: 48 112 on the old one, 7 on the new one: 48 112 - 7 = 48 105.
    bridge = Bridge("TOT1", 48_112, 7, 0)
    assert bridge.add == 48_105
    assert "add 48\u202f105 to the new register" in bridge_words(bridge)
    assert "nothing passed meanwhile, as stated" in bridge_words(bridge)


def test_what_passed_uncounted_is_added_only_where_somebody_stated_it() -> None:
    assert Bridge("TOT1", 48_112, 7, 120).add == 48_225
    assert Bridge("TOT1", 48_112, 7, None).add == 48_105
    assert "is not known" in bridge_words(Bridge("TOT1", 48_112, 7, None))
    assert "120 of it" in bridge_words(Bridge("TOT1", 48_112, 7, 120))


@pytest.mark.parametrize(
    ("before", "after", "which"), [(None, 7, "old register"), (48_112, None, "new register")]
)
def test_an_unknown_reading_is_not_taken_for_nothing(
    before: float | None, after: float | None, which: str
) -> None:
    bridge = Bridge("TOT1", before, after, 0)
    assert bridge.add is None
    assert f"the {which}'s reading is not known" in bridge_words(bridge)


def test_a_new_one_that_was_set_higher_is_taken_down() -> None:
    assert "take 100 from" in bridge_words(Bridge("TOT1", 400, 500, 0))
    assert "still the old station's" in doubt(400, 500)
    assert doubt(400, 3) == ""


def judged(*restarts: Restart) -> SiteHealth:
    clues = replace(NOT_JUDGED.clues, points=PointClues(restarts=restarts))
    return replace(NOT_JUDGED, clues=clues)


@pytest.mark.parametrize(
    ("at_min", "is_work"), [(115, True), (71, True), (159, True), (69, False), (161, False)]
)
def test_an_exchange_is_somebodys_work_and_no_restart(at_min: int, is_work: bool) -> None:
    # Ours: the stated time may be half an hour off: 100 - 30 to 130 + 30 minutes.
    other = replace(FELL, from_ms=900 * MINUTE, to_ms=901 * MINUTE)
    told = without_replacements(judged(FELL, other), (at_min * MINUTE,)).clues.points.restarts
    assert [one.quiet for one in told] == [is_work, False]
    assert told[0].totals == FELL.totals


def test_without_an_exchange_nothing_is_changed() -> None:
    before = judged(FELL)
    assert without_replacements(before, ()) is before
