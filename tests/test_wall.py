"""A clock that a file moves: read seldom, never thrown off by a bad file, told in a sentence."""

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tallymast import wall, wiring
from tallymast.wall import WallClock

NOON_MS = 1_772_971_200_000  # 2026-03-08 12:00 UTC


@dataclass
class Moved:
    """A test clock whose computer stands at noon, and its file."""

    file: Path
    passed_s: float = 0.0
    clock: WallClock = field(init=False)

    def __post_init__(self) -> None:
        self.clock = WallClock(self.file, lambda: NOON_MS, lambda: self.passed_s)

    def ahead_ms(self, text: str, after_s: float = 1.0) -> int:
        """Write the file, let some time pass, and return how far ahead the clock is."""
        self.file.write_text(text)
        self.passed_s += after_s
        return self.clock.wall_ms() - NOON_MS


@pytest.fixture
def moved(tmp_path: Path) -> Moved:
    return Moved(tmp_path / "offset")


def test_the_file_moves_the_clock_both_ways_and_by_parts_of_a_second(moved: Moved) -> None:
    assert moved.ahead_ms("10800\n") == 3 * 3_600_000
    assert moved.ahead_ms("-0.25") == -250


def test_it_is_read_once_a_second(moved: Moved) -> None:
    assert moved.ahead_ms("60") == 60_000
    assert moved.ahead_ms("0", after_s=0.9) == 60_000
    assert moved.ahead_ms("0", after_s=0.1) == 0


@pytest.mark.parametrize("bad", ["", "three hours", "nan", "inf", "1e12", "\xff"])
def test_a_bad_file_leaves_the_last_offset(moved: Moved, bad: str) -> None:
    assert moved.ahead_ms("60") == 60_000
    moved.file.write_bytes(bad.encode("latin-1"))
    moved.passed_s += 5
    assert moved.clock.wall_ms() - NOON_MS == 60_000


def test_a_file_that_is_not_there_yet_moves_nothing(moved: Moved) -> None:
    assert moved.clock.wall_ms() == NOON_MS
    assert moved.ahead_ms("60") == 60_000
    moved.file.unlink()
    moved.passed_s += 5
    assert moved.clock.wall_ms() == NOON_MS + 60_000


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        ("10800", "is 3 h ahead of this computer's."),
        ("-5400", "is 1 h 30 min behind this computer's."),
        ("90061", "is 1 d 1 h ahead of this computer's."),
        ("0.5", "is 0.500 s ahead of this computer's."),
        ("0", "is this computer's, until its file moves it."),
    ],
)
def test_its_banner_says_how_far_it_is_off(moved: Moved, offset: str, said: str) -> None:
    moved.ahead_ms(offset)
    assert moved.clock.notice() == f"Test clock: the time on this page {said}"


def test_the_computers_own_clock_needs_no_banner() -> None:
    clock = WallClock(None, lambda: NOON_MS)
    assert (clock.wall_ms(), clock.notice()) == (NOON_MS, "")


def test_a_process_goes_by_its_test_clock_for_a_block_only(tmp_path: Path) -> None:
    (tmp_path / "offset").write_text("-864000")
    before_ms = wiring.now_ms()
    with wall.moved_by(tmp_path / "offset") as clock:
        assert clock is wall.clock()
        assert before_ms - wiring.now_ms() > 9 * 86_400_000
    assert wiring.now_ms() >= before_ms
    assert wall.clock().notice() == ""
