"""The sentence on top of the round: who needs nobody, who is held apart, what is not known."""

import pytest

from tallymast.routes.summary import Summary


@pytest.mark.parametrize(
    ("summary", "expected"),
    [
        (
            Summary(23, 11, 0, ("Teal Pond (out of season)",), out_of_season=1),
            "11 of 24 sites need nobody; 1 is out of season.",
        ),
        (Summary(24, 24), "all 24 sites need nobody."),
        (
            Summary(20, 18, 0, ("A", "B"), ("C",), out_of_season=1),
            "18 of 23 sites need nobody; 1 is out of season; 1 is not polled on purpose; "
            "1 is in maintenance.",
        ),
        (Summary(5, 0, 5), "5 sites to ask for the first time."),
        (Summary(0, 0, 0, ("A", "B")), "no site is polled; 2 are not polled on purpose."),
    ],
)
def test_every_site_is_in_the_sentence(summary: Summary, expected: str) -> None:
    assert summary.headline == expected


def test_what_is_not_known_is_said_with_its_reason() -> None:
    summary = Summary(
        24, 20, 1, few_nights=("Fennel Dosing: 3 nights only",), weeks_young=1, weeks_judged=22
    )
    assert summary.unknown_words == (
        "1 site not asked yet; Fennel Dosing: 3 nights only, no supply trend yet; "
        "1 contact known for less than a week"
    )
    assert "22 contacts against their weeks" in summary.clean_words


def test_in_its_first_week_a_network_is_not_told_site_by_site() -> None:
    few = tuple(f"Site {n}: 2 nights only" for n in range(4))
    words = Summary(24, 20, 1, few_nights=few).unknown_words
    assert "4 supplies known for few nights only, no trend yet" in words
    assert "Site 0" not in words
    assert (
        "Site 0: 2 nights only, no supply trend yet"
        in Summary(24, 20, 1, few_nights=few[:3]).unknown_words
    )
