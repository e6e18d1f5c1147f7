"""A lock's code goes into a form and never comes out of it."""

from tallymast.domain.setup.lock_rows import (
    lock_rows,
    locks_of,
    merge_locks,
    typed_rows,
    without_codes,
)

LOCKS = [{"where": "bank gate", "code": "4711"}, {"where": "cabinet"}]
OPENED = {"lock.0.where": "bank gate", "lock.0.was": "bank gate", "lock.0.code": "",
          "lock.1.where": "cabinet", "lock.1.was": "cabinet", "lock.2.where": ""}  # fmt: skip


def test_rows_say_that_there_is_a_code_and_not_which() -> None:
    rows = lock_rows(LOCKS)
    assert [(row.where, row.has_code) for row in rows] == [
        ("bank gate", True),
        ("cabinet", False),
        ("", False),
    ]
    assert "4711" not in repr(rows)
    assert "4711" not in repr(without_codes({"key": "x", "lock": LOCKS, "point": []}))


def test_a_form_that_is_only_looked_at_keeps_every_code() -> None:
    assert locks_of(OPENED, {}, LOCKS) == (LOCKS, [0, 1])


def test_a_code_follows_its_lock_when_the_place_is_renamed() -> None:
    found, _ = locks_of({**OPENED, "lock.0.where": "north gate"}, {}, LOCKS)
    assert found[0] == {"where": "north gate", "code": "4711"}


def test_a_code_is_changed_taken_away_and_added() -> None:
    found, _ = locks_of(OPENED, {"lock.0.code": "0815", "lock.1.code": "12"}, LOCKS)
    assert [one["code"] for one in found] == ["0815", "12"]
    found, _ = locks_of({**OPENED, "lock.0.forget": "yes"}, {}, LOCKS)
    assert found[0] == {"where": "bank gate"}


def test_an_emptied_place_removes_its_lock_and_rows_stay_known() -> None:
    found, rows = locks_of({**OPENED, "lock.0.where": " ", "lock.2.where": "roof"}, {}, LOCKS)
    assert found == [{"where": "cabinet"}, {"where": "roof"}]
    assert rows == [1, 2]


def test_a_code_without_a_place_is_kept_for_its_mistake_to_be_told() -> None:
    found, rows = locks_of({"lock.3.where": ""}, {"lock.3.code": "1"}, [])
    assert (found, rows) == ([{"where": "", "code": "1"}], [3])


def test_two_locks_at_one_place_keep_their_own_codes() -> None:
    twins = [{"where": "gate", "code": "1"}, {"where": "gate", "code": "2"}]
    texts = {f"lock.{n}.{key}": "gate" for n in (0, 1) for key in ("where", "was")}
    assert locks_of(texts, {}, twins)[0] == twins


def test_typed_rows_come_back_with_one_more_to_fill() -> None:
    rows = typed_rows({"lock.0.where": "gate", "lock.0.was": ""}, [])
    assert [(row.number, row.where) for row in rows] == [(0, "gate"), (1, "")]


def test_a_lock_that_somebody_else_added_meanwhile_stays() -> None:
    now = [*LOCKS, {"where": "roof", "code": "99"}]
    merged = merge_locks({**OPENED, "lock.0.where": "north gate"}, LOCKS, now)
    found, _ = locks_of(merged, {}, now)
    assert found == [{"where": "north gate", "code": "4711"}, LOCKS[1], now[2]]
    assert merge_locks(OPENED, LOCKS, LOCKS) == OPENED
