"""Keeps the codes of locks that were typed and are not stored yet: no page carries them.

They are kept in memory only, for whoever typed them, and for an hour at most.
"""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Final

from fastapi import Request

from tallymast.routes.services import Services
from tallymast.routes.who import Person

KEPT_MS: Final = 3_600_000  # ours: an hour, as long as a form lies open
MOST: Final = 200  # forms; the oldest go first


@dataclass(frozen=True, slots=True)
class _Kept:
    owner: str
    at_ms: int
    codes: Mapping[str, str]


class TypedCodes:
    """Codes by a name nobody can guess, which stands in the form in their place."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: dict[str, _Kept] = {}

    def keep(self, owner: str, codes: Mapping[str, str], now_ms: int) -> str:
        """Keep codes; return the name they are found by."""
        name = secrets.token_urlsafe(16)
        with self._lock:
            fresh = {key: one for key, one in self._kept.items() if now_ms - one.at_ms < KEPT_MS}
            self._kept = dict([*fresh.items(), (name, _Kept(owner, now_ms, codes))][-MOST:])
        return name

    def find(self, owner: str, name: str, now_ms: int) -> Mapping[str, str] | None:
        """Return codes kept for their owner; None where they are not kept any more."""
        with self._lock:
            found = self._kept.get(name)
        is_theirs = found is not None and found.owner == owner
        return found.codes if found and is_theirs and now_ms - found.at_ms < KEPT_MS else None


def take_codes(
    request: Request, given: Services, person: Person, texts: dict[str, str]
) -> tuple[dict[str, str], bool]:
    """Take the codes out of what was typed; return all of them, and whether some were lost.

    What was typed now and before is kept under one name, which goes into ``texts``.
    """
    name, now_ms = texts.get("codes", ""), given.now_ms()
    codes, typed, lost = _found(request, given, person, texts)
    texts.pop("codes", None)
    for one in [one for one in texts if _is_code(one)]:
        del texts[one]
    if codes:
        kept: TypedCodes = request.app.state.typed_codes
        texts["codes"] = kept.keep(person.name, codes, now_ms) if typed else name
    return codes, lost


def codes_so_far(
    request: Request, given: Services, person: Person, texts: Mapping[str, str]
) -> dict[str, str]:
    """Return the codes of a form that is being filled in; nothing is kept."""
    return _found(request, given, person, texts)[0]


def _found(
    request: Request, given: Services, person: Person, texts: Mapping[str, str]
) -> tuple[dict[str, str], bool, bool]:
    """Return all codes, whether some were typed now, and whether some were lost."""
    kept: TypedCodes = request.app.state.typed_codes
    name = texts.get("codes", "")
    before = kept.find(person.name, name, given.now_ms()) if name else {}
    typed = {one: text.strip() for one, text in texts.items() if _is_code(one) and text.strip()}
    return {**(before or {}), **typed}, bool(typed), before is None


def _is_code(name: str) -> bool:
    return name.startswith("lock.") and name.endswith(".code")
