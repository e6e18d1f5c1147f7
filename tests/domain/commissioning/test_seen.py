"""States of contacts found in polls that were made by hand."""

from tallymast.domain.commissioning.pictures import media_of
from tallymast.domain.commissioning.seen import block_words, states_seen
from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    Outcome,
    PointKind,
    Poll,
    PollFlag,
    SiteLayout,
    Table,
    WordLayout,
)


def a_point(tag: str, block: int, offset: int, bit: int | None) -> LayoutPoint:
    high = Order.HIGH_FIRST
    kind, layout = PointKind.DISCRETE_INPUT, WordLayout.BOOL
    return LayoutPoint(1, tag, kind, block, offset, layout, bit, 1, high, high, None, None, "")


LAYOUT = SiteLayout(
    5,
    1,
    (Block(Table.INPUT, 0, 2), Block(Table.DISCRETE, 0, 3)),
    (a_point("DOOR", 1, 2, None), a_point("HATCH", 0, 1, 4)),
)


def poll(at_ms: int, words: bytes, got: int = 3, layout_id: int = 5) -> Poll:
    outcome, none = Outcome.FIRST_TRY, PollFlag.NONE
    return Poll(1, at_ms, outcome, none, 1, 80.0, layout_id, got, 0, words)


# two input registers, then three discretes packed into a word, the lowest in bit 0
OPEN = b"\0\0\0\x10\0\x04"
SHUT = b"\0\0\0\0\0\0"


def test_each_state_is_seen_first_where_it_was_first_read() -> None:
    polls = [poll(300, OPEN), poll(100, SHUT), poll(200, OPEN), poll(400, SHUT)]
    found = states_seen(polls, LAYOUT, {"DOOR": 0, "HATCH": 0})
    assert found == {"DOOR": {False: 100, True: 200}, "HATCH": {False: 100, True: 200}}


def test_only_what_came_since_counts_for_each_tag() -> None:
    polls = [poll(100, SHUT), poll(200, OPEN)]
    found = states_seen(polls, LAYOUT, {"DOOR": 150, "HATCH": 300})
    assert found == {"DOOR": {True: 200}, "HATCH": {}}


def test_polls_of_another_layout_and_missing_blocks_say_nothing() -> None:
    polls = [poll(100, OPEN, layout_id=4), poll(200, b"\0\0\0\x10", got=1), poll(300, b"", got=0)]
    found = states_seen(polls, LAYOUT, {"DOOR": 0, "HATCH": 0})
    assert found == {"DOOR": {}, "HATCH": {True: 200}}
    assert block_words(polls[1], LAYOUT) == {0: b"\0\0\0\x10"}


def test_words_that_are_too_few_are_passed_over() -> None:
    assert states_seen([poll(100, b"\0", got=1)], LAYOUT, {"HATCH": 0}) == {"HATCH": {}}


def test_a_picture_is_told_by_its_first_bytes() -> None:
    # ISO/IEC 10918-1, the PNG specification and RFC 9649 (WebP): their first bytes.
    assert media_of(b"\xff\xd8\xff\xe1Exif") == "image/jpeg"
    assert media_of(bytes([137, 80, 78, 71, 13, 10, 26, 10, 0])) == "image/png"
    assert media_of(b"RIFF\1\2\3\4WEBPVP8L") == "image/webp"
    for other in (b"", b"RIFF\1\2\3\4WAVEfmt ", b"GIF89a", b"<svg/>", b"\x89PNG\n"):
        assert media_of(other) is None
