"""When a month's reliability is kept: once, when its last contract day is over and added up."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.routes.conftest import NETWORK, World, words
from tests.routes.test_reliability import made

from tallymast.domain.model import Outcome
from tallymast.files.report_shelf import ReportShelf
from tallymast.monthly import TRY_AGAIN_MS, MonthKeeper
from tallymast.storage.hours import close_hours

HOUR = 3_600_000
DENVER = NETWORK.replace('time_zone = "UTC"', 'time_zone = "America/Denver"')
FIXED = DENVER.replace("contract_hour = 7", 'contract_hour = 7\ncontract_zone = "UTC-07:00"')


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


class Clocked:
    """A keeper on a clock that is set by hand, in a network of some zone."""

    def __init__(self, world: World, folder: Path) -> None:
        self.world = world
        self.judged = True
        given = replace(
            world.services(),
            now_ms=lambda: self.now_ms,
            judged_ms=lambda: self.now_ms if self.judged else None,
        )
        self.now_ms = 0
        self.shelf = ReportShelf(folder / "reports")
        self.keeper = MonthKeeper(given, self.shelf)

    def polls(self, begin: str, end: str, every_ms: int = 6 * HOUR) -> None:
        fates = [
            (at_ms, Outcome.FIRST_TRY, words(12_000, 1287, 0))
            for at_ms in range(at(begin), at(end), every_ms)
        ]
        self.world.polls("quill-tank", fates)

    def close(self, when: str) -> None:
        close_hours(self.world.database, at(when))

    def look(self, when: str) -> str:
        self.now_ms = at(when)
        return self.keeper.look()

    @property
    def names(self) -> list[str]:
        return sorted(one.path.name for one in self.shelf.kept())


@pytest.fixture(params=["UTC"])
def clocked(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Clocked]:
    text = {"UTC": NETWORK, "Denver": DENVER, "fixed": FIXED}[request.param]
    with made(tmp_path, text) as world:
        yield Clocked(world, tmp_path)


@pytest.mark.parametrize(
    ("clocked", "end"),
    # 07:00 of 1 November: in Denver, an hour after the clocks went back there, UTC-7 as in the
    # fixed zone; 07:00 of 1 April: in Denver UTC-6.
    [("UTC", "11-01T07:00"), ("Denver", "11-01T14:00"), ("Denver", "04-01T13:00"),
     ("fixed", "04-01T14:00")],
    indirect=["clocked"],
)  # fmt: skip
def test_a_month_is_kept_when_its_last_contract_day_is_over(clocked: Clocked, end: str) -> None:
    over = datetime.fromisoformat(f"2026-{end}")
    month = over.month - 1
    clocked.polls(f"2026-{month:02d}-28T00:00", f"2026-{end}")
    clocked.close(f"2026-{end[:5]}T20:00")
    assert clocked.look(f"{over.replace(hour=over.hour - 1, minute=59):%Y-%m-%dT%H:%M}") == ""
    assert clocked.look(f"2026-{end}") == f"2026-{month:02d}"
    stem = f"reliability-2026-{month:02d}"
    assert clocked.names == [f"{stem}.html", f"{stem}.xlsx"]
    assert (
        f"{over.replace(month=month):%B} 2026"
        in (clocked.shelf.folder / f"{stem}.html").read_text()
    )


def test_it_waits_until_the_days_are_added_up(clocked: Clocked) -> None:
    clocked.polls("2026-02-27T00:00", "2026-03-01T07:00", 2 * HOUR)
    clocked.close("2026-03-01T05:00")
    assert clocked.look("2026-03-01T07:02") == ""
    clocked.close("2026-03-01T07:04")
    assert clocked.look("2026-03-01T07:05") == "2026-02"


def test_it_does_not_wait_for_ever(clocked: Clocked) -> None:
    clocked.polls("2026-02-27T00:00", "2026-03-01T07:00", 2 * HOUR)
    clocked.close("2026-03-01T05:00")  # and then nobody closes any more
    assert clocked.look("2026-03-01T12:00") == ""
    assert clocked.look("2026-03-01T13:01") == "2026-02"


def test_what_is_kept_stays_whatever_comes_late(clocked: Clocked) -> None:
    clocked.polls("2026-02-26T00:00", "2026-03-01T07:00")
    clocked.close("2026-03-01T08:00")
    assert clocked.look("2026-03-01T08:00") == "2026-02"
    before = {name: (clocked.shelf.folder / name).read_bytes() for name in clocked.names}
    clocked.polls("2026-02-26T03:00", "2026-02-27T03:00")
    clocked.close("2026-03-01T12:00")
    assert clocked.look("2026-03-02T12:00") == ""
    assert {name: (clocked.shelf.folder / name).read_bytes() for name in clocked.names} == before


def test_missing_months_are_made_where_the_record_has_them(clocked: Clocked) -> None:
    clocked.polls("2025-11-10T00:00", "2025-11-12T00:00")
    clocked.polls("2026-01-05T00:00", "2026-01-06T00:00")  # nobody asked in December
    clocked.polls("2026-02-05T00:00", "2026-02-06T00:00")
    clocked.close("2026-03-01T12:00")
    assert [clocked.look("2026-03-01T12:00") for _ in range(4)] == [
        "2025-11", "2026-01", "2026-02", "",
    ]  # fmt: skip
    # One a look, so that polling and pages are never kept waiting.


def test_nothing_is_kept_before_the_weeks_are_judged(clocked: Clocked) -> None:
    clocked.polls("2026-02-26T00:00", "2026-03-01T07:00")
    clocked.close("2026-03-01T08:00")
    clocked.judged = False
    assert clocked.look("2026-03-01T08:00") == ""
    clocked.judged = True
    assert clocked.look("2026-03-01T08:01") == "2026-02"


def test_a_folder_that_cannot_be_written_is_told_and_tried_again(clocked: Clocked) -> None:
    clocked.polls("2026-02-26T00:00", "2026-03-01T07:00")
    clocked.close("2026-03-01T08:00")
    clocked.shelf.folder.write_text("in the way")
    assert clocked.look("2026-03-01T08:00") == ""
    assert (
        "The report of February 2026 could not be kept and is tried again" in clocked.keeper.words
    )
    assert "reports cannot be made: File exists" in clocked.keeper.words
    clocked.shelf.folder.unlink()
    assert clocked.look("2026-03-01T08:01") == ""  # it rests
    clocked.now_ms += TRY_AGAIN_MS
    assert clocked.keeper.look() == "2026-02"
    assert clocked.keeper.words == ""


def test_of_two_processes_on_one_folder_one_writes(clocked: Clocked, tmp_path: Path) -> None:
    clocked.polls("2026-02-26T00:00", "2026-03-01T07:00")
    clocked.close("2026-03-01T08:00")
    other = Clocked(clocked.world, tmp_path)
    assert clocked.look("2026-03-01T08:00") == "2026-02"
    first = (clocked.shelf.folder / "reliability-2026-02.html").read_bytes()
    assert other.look("2026-03-01T09:00") == ""
    assert (clocked.shelf.folder / "reliability-2026-02.html").read_bytes() == first


def test_while_the_past_is_being_written_nothing_is_kept(clocked: Clocked) -> None:
    clocked.polls("2026-02-26T00:00", "2026-03-01T07:00")
    clocked.close("2026-03-01T08:00")
    clocked.now_ms = at("2026-03-01T08:00")
    keeper = MonthKeeper(clocked.keeper._given, clocked.shelf, lambda: False)
    assert keeper.look() == ""
    assert clocked.names == []
