"""Who is out: the sentences of the log book are read back as they were written."""

from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.leaving import Leaving, back_words, leaving_words, still_out

NOW_MS, HOUR = 1_772_964_000_000, 3_600_000
LEFT = "R. Hale leaves for Tern Flat 09:10, back by 13:00; M. Okoro knows."


def test_the_sentence_is_plain() -> None:
    assert leaving_words("R. Hale", "Tern Flat", "09:10", "13:00", "M. Okoro") == LEFT
    assert back_words("R. Hale", "Tern Flat", "12:40") == "R. Hale is back from Tern Flat 12:40."


def test_who_left_is_out_until_back() -> None:
    left = (NOW_MS - HOUR, LEFT)
    expected = Leaving("R. Hale", "09:10", "13:00", "M. Okoro", NOW_MS - HOUR)
    assert still_out([left], NOW_MS) == (expected,)
    back = (NOW_MS - 1, "R. Hale is back from Tern Flat 12:40.")
    assert still_out([back, left], NOW_MS) == ()
    assert still_out([left, back], NOW_MS) == (expected,)  # left again after coming back


def test_one_who_is_back_does_not_bring_the_other_back() -> None:
    other = (NOW_MS - HOUR, LEFT.replace("R. Hale", "M. Okoro", 1))
    back = (NOW_MS - 1, "R. Hale is back from Tern Flat 12:40.")
    assert [one.name for one in still_out([back, other], NOW_MS)] == ["M. Okoro"]


def test_after_two_days_it_says_nothing_about_today() -> None:
    assert still_out([(NOW_MS - 49 * HOUR, LEFT)], NOW_MS) == ()


def test_other_notes_are_passed_over() -> None:
    assert still_out([(NOW_MS, "Battery terminals cleaned, grease renewed.")], NOW_MS) == ()


@given(st.text(alphabet="abc ", min_size=1, max_size=9).map(str.strip).filter(bool))
def test_what_is_written_is_read_back(name: str) -> None:
    text = leaving_words(name, "Rook Valve", "23:10", "01:00", "the office")
    (found,) = still_out([(NOW_MS, text)], NOW_MS)
    assert (found.name, found.out, found.back, found.knows) == (
        name,
        "23:10",
        "01:00",
        "the office",
    )
