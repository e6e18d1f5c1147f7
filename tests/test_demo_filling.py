"""A database that is locked for a while costs the demo's past no day, and one for ever is told."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import pytest
from sqlalchemy import Connection
from tests.blank import blank

from tallymast.demo import demonstration
from tallymast.demo import filling as demo_filling
from tallymast.demo.patience import WAITS_S, Patience
from tallymast.domain.errors import StorageError
from tallymast.storage import comms, setting
from tallymast.storage.engine import Database

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
NOW_MS = 1_795_618_920_000  # 2026-11-25 15:02 UTC
MIDNIGHT = NOW_MS // DAY_MS * DAY_MS
LOCKED = "It is locked."


@dataclass
class Locked:
    """A database that another program locks while it says so."""

    database: Database
    is_locked: Callable[[], bool] = lambda: False

    def reading(self) -> Any:
        return self.database.reading()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        if self.is_locked():
            raise StorageError(LOCKED)
        with self.database.writing() as conn:
            yield conn


@dataclass
class Filling:
    """The last hour of three days to be written, the lines that were said and the waits."""

    database: Database
    locked: Locked
    lines: list[str] = field(default_factory=list)
    waits: list[float] = field(default_factory=list)

    def fill(self) -> bool:
        return demo_filling.fill(
            cast("Database", self.locked), self.lines.append, self.waits.append
        )

    def asked(self, days_ago: int) -> int:
        """How often sites were polled in the hour that ended at a midnight."""
        end_ms = MIDNIGHT - days_ago * DAY_MS
        with self.database.reading() as conn:
            counted = comms.counts(conn, end_ms - HOUR_MS, end_ms)
        return sum(one.asked for one in counted.values())


@pytest.fixture
def filling(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Filling]:
    database = blank(tmp_path / "tallymast.sqlite3")
    whole = demonstration.begin(database, NOW_MS)
    mast = whole.plan.gateways[0]
    plan = replace(whole.plan, gateways=(replace(mast, sites=mast.sites[:1]),))  # one site is quick
    monkeypatch.setattr("tallymast.demo.demonstration.scene", lambda _: replace(whole, plan=plan))
    ends = [MIDNIGHT - n * DAY_MS for n in range(3)]
    with database.writing() as conn:
        setting.keep(conn, "demo-to-fill", json.dumps([[end - HOUR_MS, end] for end in ends]))
    for name in ("keep_rounds", "keep_findings"):  # they look at a week, which is not there
        monkeypatch.setattr(f"tallymast.demo.filling.{name}", lambda *_: iter(()))
    yield Filling(database, Locked(database))
    database.close()


def test_a_day_waits_for_a_lock_to_end_and_says_so(filling: Filling) -> None:
    filling.locked.is_locked = lambda: len(filling.waits) < 2
    assert filling.fill()
    assert filling.waits == [5, 15]
    assert filling.lines == [
        "0 of 3: Writing 24 Nov waits: It is locked. Tried once, again in 5 s.",
        "0 of 3: Writing 24 Nov waits: It is locked. Tried 2 times, again in 15 s.",
        "1 of 3",
        "2 of 3",
        "3 of 3",
    ]
    assert demonstration.pieces(filling.database) == []
    assert min(filling.asked(n) for n in range(3)) > 200  # one each 15 s is 240 an hour


def test_a_day_that_is_refused_is_left_out_and_written_after_the_others(filling: Filling) -> None:
    def is_locked() -> bool:
        said = " ".join(filling.lines)
        return "1 of 3" in said and "left out" not in said

    filling.locked.is_locked = is_locked
    assert filling.fill()
    assert filling.waits == list(WAITS_S)
    assert filling.lines[-3:] == [
        "1 of 3: Writing 23 Nov is left out for now: It is locked.",
        "2 of 3",
        "3 of 3",
    ]
    assert demonstration.pieces(filling.database) == []
    assert filling.asked(1) > 200


def test_what_is_missing_at_the_end_is_said_and_written_at_the_next_start(filling: Filling) -> None:
    filling.locked.is_locked = lambda: "1 of 3" in filling.lines
    assert not filling.fill()
    assert filling.lines[-1].startswith("ended: The demo's past lacks 2 days (22 Nov, 23 Nov), ")
    assert [one.to_ms for one in demonstration.pieces(filling.database)] == [
        MIDNIGHT - DAY_MS,
        MIDNIGHT - 2 * DAY_MS,
    ]
    filling.locked.is_locked = lambda: False
    filling.lines.clear()
    assert filling.fill()
    assert filling.lines == ["1 of 2", "2 of 2"]


def test_days_whose_polls_were_given_up_are_not_written_again(filling: Filling) -> None:
    with filling.database.writing() as conn:
        setting.keep(conn, "polls.kept-from", str(MIDNIGHT - DAY_MS))
    assert [one.to_ms for one in demonstration.pieces(filling.database)] == [MIDNIGHT]


def test_a_record_that_is_locked_at_the_start_is_opened_later(filling: Filling) -> None:
    def open_it() -> Database:
        if len(filling.waits) < 1:
            raise StorageError(LOCKED)
        return filling.database

    found = demo_filling.opened(open_it, filling.lines.append, filling.waits.append)
    assert found is filling.database
    (said,) = filling.lines
    assert said.endswith("older days waits: It is locked. Tried once, again in 5 s.")


def test_waits_grow_and_end() -> None:
    said: list[str] = []
    waits: list[float] = []

    def refused() -> None:
        raise StorageError(LOCKED)

    assert not Patience(said.append, waits.append).has_done("Writing", refused)
    assert waits == sorted(waits)
    assert len(waits) == len(said) - 1
    assert said[-1] == "Writing is left out for now: It is locked."
