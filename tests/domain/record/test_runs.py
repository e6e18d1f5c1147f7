"""Runs of missed polls: by hand, and joined as if the spans had never been cut."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.record.runs import (
    NO_RUNS,
    MissRun,
    Runs,
    joined,
    runs_bytes,
    runs_from,
    runs_in,
)

START = 1_772_953_200_000
MINUTE = 60_000


def polled(pattern: str, first: int = 0) -> Runs:
    """One poll a minute: ``.`` answered, ``x`` missed, a space: nobody asked."""
    asked = [(first + n, one == "x") for n, one in enumerate(pattern) if one != " "]
    at_ms = np.array([START + n * MINUTE for n, _ in asked], np.int64)
    return runs_in(at_ms, np.array([missed for _, missed in asked], np.bool_))


def by_eye(pattern: str) -> list[tuple[int, int | None, int]]:
    """Long runs by walking along: first missed minute, next answered minute, how many missed."""
    found: list[tuple[int, int | None, int]] = []
    begin, missed, last = -1, 0, -1
    for n, one in enumerate(pattern):
        if one == "x":
            begin = n if missed == 0 else begin
            missed, last = missed + 1, n
        elif one == "." and missed:
            if missed > 1 and last > begin:
                found.append((begin, n, missed))
            missed = 0
    if missed:
        found.append((begin, None, missed))
    return found


def minute(at_ms: int | None) -> int | None:
    return None if at_ms is None else (at_ms - START) // MINUTE


def test_a_silence_begins_with_the_first_missed_poll_and_ends_with_the_next_answer() -> None:
    runs = polled("..xxx..x.")
    (long,) = runs.long
    assert runs.n == 2
    assert long == MissRun(
        START + 2 * MINUTE, START + 4 * MINUTE, 3, START + MINUTE, START + 5 * MINUTE
    )


def test_one_that_reaches_the_border_is_kept_however_short() -> None:
    runs = polled("x....x")
    assert [(minute(r.from_ms), r.before_ms, minute(r.to_ms)) for r in runs.long] == [
        (0, None, 1),
        (5, START + 4 * MINUTE, None),
    ]


def test_a_silence_goes_on_over_an_hour_in_which_nobody_asked() -> None:
    whole = joined([polled("..x"), NO_RUNS, polled("xx.", 7)])
    (long,) = whole.long
    assert (minute(long.from_ms), minute(long.to_ms), long.missed) == (2, 9, 3)
    assert whole.n == 1


def test_what_was_answered_beside_the_border_tells_when_it_began_and_ended() -> None:
    (long,) = joined([polled(".."), polled("xxx", 2), polled("..", 5)]).long
    assert (minute(long.before_ms), minute(long.to_ms)) == (1, 5)


@given(st.text(alphabet=".x ", min_size=1, max_size=60), st.lists(st.integers(0, 60), max_size=5))
def test_spans_joined_are_as_if_never_cut(pattern: str, cuts: Sequence[int]) -> None:
    borders = sorted({0, *(cut for cut in cuts if cut < len(pattern)), len(pattern)})
    parts = [polled(pattern[begin:end], begin) for begin, end in pairwise(borders)]
    parts = [runs_from(runs_bytes(part, START), START) for part in parts]
    whole = joined(parts)
    found = [(minute(r.from_ms), minute(r.to_ms), r.missed) for r in whole.long]
    at_edge = "." not in pattern[: pattern.find("x") + 1] if "x" in pattern else False
    expected = by_eye(pattern)
    if at_edge:  # a short one at the very beginning may have begun before
        begin = pattern.find("x")
        first = pattern[begin:].replace(" ", "")
        length = len(first) - len(first.lstrip("x"))
        if length == 1 and "." in first:
            expected = [(begin, pattern.find(".", begin), 1), *expected]
    assert found == expected
    asked = pattern.replace(" ", "")
    assert whole.n == len([part for part in asked.split(".") if part])
