"""Kept rounds: stored as said, compared cause by cause."""

from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.rounds import KeptLine, KeptRound, changes, from_text, to_text


def a_line(key: str, text: str = "Said.") -> KeptLine:
    return KeptLine(key, text, act=True, sites=(key.rpartition("-")[2],))


def a_round(*keys: str) -> KeptRound:
    return KeptRound(20_781, 1, "16 of 24 sites need nobody.", "", "", tuple(map(a_line, keys)))


def test_a_cause_is_new_over_or_as_before() -> None:
    before = a_round("supply-tern", "silent-merlin", "contact-rook")
    found = changes(before, ["path-saddle", "contact-rook", "supply-tern"])
    assert found.new == ("path-saddle",)
    assert [line.key for line in found.over] == ["silent-merlin"]
    assert found.still == 2


def test_nothing_then_and_nothing_now_is_no_change() -> None:
    found = changes(a_round(), [])
    assert (found.new, found.over, found.still) == ((), (), 0)


@given(st.lists(st.tuples(st.text(), st.text(), st.booleans(), st.lists(st.text()))), st.text())
def test_what_was_said_comes_back_word_for_word(
    lines: list[tuple[str, str, bool, list[str]]], words: str
) -> None:
    kept = KeptRound(
        1, 2, words, words, words, tuple(KeptLine(k, t, a, tuple(s)) for k, t, a, s in lines)
    )
    assert from_text(1, 2, to_text(kept)) == kept
