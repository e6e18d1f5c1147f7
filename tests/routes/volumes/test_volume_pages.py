"""What the pages of volumes say, of hours written by hand."""

import re
from collections.abc import Iterator
from fractions import Fraction
from html import unescape
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.volumes.meter_world import (
    DAY,
    HOUR,
    MARCH_2,
    NOW_MS,
    Meters,
    dark,
    meters,
    restarted,
)

from tallymast.domain.totals.month_figures import Figures
from tallymast.domain.totals.segments import Segment
from tallymast.storage import month_closes

NARROW = "\u202f"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Meters]:
    found = meters(tmp_path)
    yield found
    found.world.database.close()


def text_of(client: TestClient, address: str) -> str:
    """The words of a page, one space between them."""
    found = client.get(address)
    assert found.status_code == 200, found.text
    main = found.text.partition("<main")[2]
    plain = unescape(re.sub(r"<[^>]+>", " ", main))
    return re.sub(r"[ \n]+", " ", plain.replace("\u00a0", " ").replace(NARROW, " "))


def three_days(made: Meters) -> None:
    """Hobby Pad lost 41 minutes on the first day; nothing was heard of it on the second."""
    begin = MARCH_2 + 19 * HOUR + 14 * 60_000
    odd = dark(Segment(MARCH_2 + 19 * HOUR, MARCH_2 + 20 * HOUR, 40.0), 41, 4920.0)
    lost = restarted(begin, 41, 4920.0)
    made.hours("hobby-pad", MARCH_2, MARCH_2 + DAY, odd, events=(lost,))
    made.hours("hobby-pad", MARCH_2 + 2 * DAY, MARCH_2 + 3 * DAY + 5 * HOUR)
    made.hours("kestrel-pad", MARCH_2, MARCH_2 + 3 * DAY + 5 * HOUR)


def test_a_month_tells_ranges_and_gaps_and_never_a_zero_for_one(made: Meters) -> None:
    three_days(made)
    told = text_of(made.client, "/volumes")
    # By hand: 3 days and 5 h of 100 pulses are 7 700 pulses, half a cubic metre each.
    assert "at least 3 850.0 m³" in told  # the first of March lies before the record
    # 23 h of 100 and one of 40 pulses; 24 h; 5 h.
    assert (
        f"at least {(2340 + 2400 + 500) // 2 // 1000} {(2340 + 2400 + 500) // 2 % 1000}.0 m³"
        in told
    )
    assert "Yesterday 1 200.0 m³" not in told  # heads stand once
    assert "250.0 m³" in told  # today: five closed hours
    assert "1 of 5 days known, 2 in part" not in told
    assert "2 of 5 days known, 1 in part, 2 unknown" in told


def test_what_a_counter_lost_is_a_sentence_with_its_day(made: Meters) -> None:
    three_days(made)
    told = text_of(made.client, "/volumes")
    # By hand: 41 of 1 440 min are 2.8 %; 2026-03-03 02:14 is two days before the 5th.
    assert (
        "Hobby Pad 2 days ago: counter restarted 02:14–02:55; 0 to 4 920 pulses unknown; "
        "97 % of the day is known." in told
    )


def test_a_day_that_lost_count_is_a_range(made: Meters) -> None:
    three_days(made)
    told = text_of(made.client, "/volumes/hobby-pad/TOT/2026-03-02")
    # By hand: 2 340 pulses are 1 170 m³; 4 920 more would be 2 460 m³ more.
    assert "1 170.0 to 3 630.0 m³ ; 97 % of the day is known" in told
    assert "0.5 m³ a pulse" in told
    assert "02:00–03:00 unknown unknown 40 20.0 to 2 480.0 m³ 32 % known" in told
    assert told.count("50.0 m³") == 23


def test_areas_are_added_up_only_where_units_agree(made: Meters) -> None:
    three_days(made)
    made.hours("fen-gas", MARCH_2, MARCH_2 + DAY)
    told = text_of(made.client, "/volumes?last=7")
    # Leases: at least 2 620 and 3 850 m³.
    assert "All 2 points together: at least 6 470.0 m³" in told
    assert "Units differ: Mcf, m³; not added up." in told


def test_a_filter_shows_its_points_alone(made: Meters) -> None:
    three_days(made)
    told = text_of(made.client, "/volumes?site=kestrel-pad")
    assert "=Kestrel Total" in told
    assert "Hobby Pad Total" not in told
    assert "No counting point matches" in text_of(made.client, "/volumes?area=Nowhere")


def test_without_a_totalizer_the_page_says_what_to_do(client: TestClient) -> None:
    assert "No site has a totalizer yet. Enter one" in text_of(client, "/volumes")
    assert "No site tells of a pump yet" in text_of(client, "/run-hours")


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/volumes?month=2026-13", 422),
        ("/volumes?month=2026-04", 422),
        ("/volumes?last=9", 422),
        ("/volumes/hobby-pad/NONE", 404),
        ("/volumes/hobby-pad/TOT/soon", 404),
        ("/volumes/hobby-pad/TOT/2026-03-09", 422),
    ],
)
def test_what_cannot_be_shown_is_refused(made: Meters, address: str, status: int) -> None:
    assert made.client.get(address).status_code == status


def test_a_closed_month_keeps_its_figures_and_tells_what_came_later(made: Meters) -> None:
    made.hours("kestrel-pad", MARCH_2, MARCH_2 + DAY)
    whole, known = 31 * DAY, DAY
    frozen = Figures(
        "m³",
        Fraction(1100),
        *(Fraction(0),) * 4,
        2200.0,
        known,
        whole,
        None,
        None,
        (Fraction(1, 2),),
    )
    number = made.counted("kestrel-pad").point_id
    made.world.now_ms = MARCH_2 + 40 * DAY
    with made.world.database.writing() as conn:
        month_closes.close(conn, number, "2026-03", frozen, at_ms=MARCH_2 + 31 * DAY, actor="sam")
    told = text_of(made.client, "/volumes/kestrel-pad/TOT?month=2026-03")
    assert "by sam: 1 100.0 m³ , 3.23 % known" in told
    # By hand: 24 h of 100 pulses are 1 200 m³ now.
    assert "Correction, counted: 1 100.0 m³ when it was closed, 1 200.0 m³ now (+100.0)." in told
    assert "closed; corrected since" in text_of(made.client, "/volumes?month=2026-03")


def test_a_spring_day_has_23_hours(tmp_path: Path) -> None:
    # US Energy Policy Act of 2005: clocks go forward on the second Sunday of March, 2026-03-08.
    made = meters(tmp_path, zone="America/Denver")
    begin = MARCH_2 + 5 * DAY + 7 * HOUR  # 2026-03-07 07:00 MST
    made.world.now_ms = begin + 2 * DAY
    made.hours("hobby-pad", begin, begin + 23 * HOUR)
    told = text_of(made.client, "/volumes/hobby-pad/TOT/2026-03-07")
    assert "23 hours" in told
    assert "1 150.0 m³ ; all of the day is known" in told
    assert "01:00–03:00" in told
    made.world.database.close()


def test_the_statement_is_one_file_that_fetches_nothing(made: Meters) -> None:
    three_days(made)
    found = made.client.get("/volumes/statement?month=2026-03&site=hobby-pad&tag=TOT")
    assert found.headers["content-disposition"].endswith('-2026-03-hobby-pad-tot.html"')
    assert "perational figure, not custody transfer" in found.text
    assert "counter restarted 02:14" in found.text
    assert not re.search(r"(src|href)=\"(?!#)", found.text)


def test_days_before_now_are_not_told_twice(made: Meters) -> None:
    assert NOW_MS > MARCH_2 + 3 * DAY
    three_days(made)
    rows = made.client.get("/volumes/kestrel-pad/TOT").text.count('data-head="Opening"')
    assert rows == 5  # 1 to 5 March
