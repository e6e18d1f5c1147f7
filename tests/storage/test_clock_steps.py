"""Which readings are in doubt after the computer's clock was set back."""

from typing import Any

import numpy as np
import pytest

from tallymast.storage.clock_steps import is_suspect, suspect_spans
from tallymast.storage.episodes import open_episode

BACK_MS, LAST_MS = 1_772_953_200_000, 1_772_964_000_000  # set back from 10:00 to 07:00 UTC


def step(planted: Any, kind: str = "clock", site_id: int | None = None, **span: int) -> None:
    with planted.database.writing() as conn:
        open_episode(
            conn,
            kind,
            site_id=planted.site_id if site_id is None else site_id,
            reason="The computer's clock was set back.",
            **({"from_ms": BACK_MS, "to_ms": LAST_MS} | span),
        )


def spans(planted: Any, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    with planted.database.reading() as conn:
        return suspect_spans(conn, planted.site_id, from_ms, to_ms)


def test_a_step_back_casts_doubt_from_the_new_time_to_the_last(planted: Any) -> None:
    step(planted)
    assert spans(planted, 0, 2 * LAST_MS) == [(BACK_MS, LAST_MS)]


@pytest.mark.parametrize(
    ("from_ms", "to_ms", "touches"),
    [
        (LAST_MS, LAST_MS + 1, True),  # the last poll of the first pass is in doubt
        (LAST_MS + 1, LAST_MS + 2, False),
        (BACK_MS, BACK_MS + 1, True),
        (BACK_MS - 1, BACK_MS, False),
    ],
)
def test_only_spans_that_are_touched_count(
    planted: Any, from_ms: int, to_ms: int, touches: bool
) -> None:
    step(planted)
    assert bool(spans(planted, from_ms, to_ms)) is touches


def test_other_episodes_and_other_sites_cast_no_doubt(planted: Any, plant_one: Any) -> None:
    step(planted, "maintenance")
    step(planted, site_id=plant_one(2).site_id)
    assert spans(planted, 0, 2 * LAST_MS) == []


def test_instants_in_any_of_the_spans_are_suspect_ends_included() -> None:
    at_ms = np.array([9, 10, 20, 21, 30, 5], np.int64)
    doubted = is_suspect(at_ms, [(10, 20), (15, 18), (30, 30)])
    assert doubted.tolist() == [False, True, True, False, True, False]


def test_without_a_step_nothing_is_suspect() -> None:
    assert not is_suspect(np.arange(5, dtype=np.int64), []).any()
    assert is_suspect(np.empty(0, np.int64), [(0, 9)]).shape == (0,)
