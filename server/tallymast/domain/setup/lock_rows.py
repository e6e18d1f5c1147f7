"""The locks of a site on its form: a code goes in and never comes out again."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Lock = Mapping[str, Any]

_ROW = re.compile(r"lock\.(\d{1,2})\.where")
_MOST = 40  # ours: rows of locks one form may send
SPARE = 1  # ours: empty rows a form offers after those that are filled


@dataclass(frozen=True, slots=True)
class LockRow:
    """One row of the form: where the lock is, and whether a code is kept for it."""

    number: int
    where: str
    was: str
    has_code: bool


def lock_rows(locks: Sequence[Lock]) -> list[LockRow]:
    """Return the rows of a site's locks, and empty ones after them."""
    rows = [
        LockRow(n, str(one.get("where", "")), str(one.get("where", "")), "code" in one)
        for n, one in enumerate(locks)
    ]
    return [*rows, *(LockRow(len(rows) + n, "", "", False) for n in range(SPARE))]


def typed_rows(texts: Mapping[str, str], locks: Sequence[Lock]) -> list[LockRow]:
    """Return the rows as they were typed, and at least one empty row after them."""
    codes = [str(one.get("where")) for one in locks if "code" in one]
    rows = [
        LockRow(n, texts[f"lock.{n}.where"], was, was in codes and f"lock.{n}.forget" not in texts)
        for n in _numbers(texts)
        for was in [texts.get(f"lock.{n}.was", "")]
    ]
    if rows and not rows[-1].where:
        return rows
    return [*rows, LockRow(rows[-1].number + 1 if rows else 0, "", "", False)]


def locks_of(
    texts: Mapping[str, str], codes: Mapping[str, str], locks: Sequence[Lock]
) -> tuple[list[dict[str, Any]], list[int]]:
    """Return the locks a form means, and the row each of them stands in.

    Args:
        texts: what was typed.
        codes: codes that were typed, by the name of their input.
        locks: the site's locks until now; a code nobody typed over stays with its lock.

    """
    left = [dict(one) for one in locks]
    found: list[dict[str, Any]] = []
    rows: list[int] = []
    for n in _numbers(texts):
        where = texts[f"lock.{n}.where"].strip()
        kept = _take(left, texts.get(f"lock.{n}.was", ""))
        code = codes.get(f"lock.{n}.code", "").strip()
        if not where and not code:
            continue
        lock: dict[str, Any] = {**kept, "where": where}
        if code:
            lock["code"] = code
        elif f"lock.{n}.forget" in texts:
            lock.pop("code", None)
        found.append(lock)
        rows.append(n)
    return found, rows


def merge_locks(
    texts: Mapping[str, str], was: Sequence[Lock], now: Sequence[Lock]
) -> dict[str, str]:
    """Return the rows as typed, with those locks added that somebody else stored meanwhile.

    Args:
        texts: what was typed.
        was: the locks the form was opened with.
        now: the locks that are stored.

    """
    before = {str(one.get("where")) for one in was}
    there = {texts[f"lock.{n}.where"].strip() for n in _numbers(texts)}
    free = max(_numbers(texts), default=-1) + 1
    merged = dict(texts)
    for one in now:
        where = str(one.get("where"))
        if where not in before and where not in there:
            merged |= {f"lock.{free}.where": where, f"lock.{free}.was": where}
            free += 1
    return merged


def without_codes(body: Mapping[str, Any]) -> dict[str, Any]:
    """Return a site's body as it may be shown: no code, no points."""
    kept = {key: value for key, value in body.items() if key != "point"}
    if "lock" in kept:
        kept["lock"] = [{k: v for k, v in one.items() if k != "code"} for one in kept["lock"]]
    return kept


def _numbers(texts: Mapping[str, str]) -> Iterator[int]:
    found = sorted(int(match[1]) for name in texts if (match := _ROW.fullmatch(name)))
    yield from found[:_MOST]


def _take(left: list[dict[str, Any]], where: str) -> dict[str, Any]:
    """Take the first lock at a place out of those that are left."""
    for n, one in enumerate(left):
        if where and one.get("where") == where:
            return left.pop(n)
    return {}
