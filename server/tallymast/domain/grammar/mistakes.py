"""Collects what is wrong in a network file, one sentence a mistake, told all at once.

A mistake reads ``FILE: [table key] sentence``. Places look like ``gateway marrowdun`` or
``site upper-weir.point LVL``; the key may reach into a table in braces: ``limits.high``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher

from tallymast.domain.errors import ConfigError

_LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: ``place`` as ``site upper-weir.supply``, ``key`` as ``limits.high``."""

    place: str
    key: str
    sentence: str


class UnfitError(Exception):
    """One value does not fit its key; the text is the sentence to tell."""


class Mistakes:
    """The mistakes of one file so far, in the order they were met.

    Args:
        source: what people call the file: its name or path.

    """

    def __init__(self, source: str) -> None:
        self._source = source
        self._told: dict[str, Mistake] = {}

    def __len__(self) -> int:
        return len(self._told)

    @property
    def found(self) -> tuple[Mistake, ...]:
        """What was told so far, in the order it was met."""
        return tuple(self._told.values())

    def add(self, place: str, key: str, sentence: str) -> None:
        """Tell a mistake; the same one is told once."""
        where = f"{place} {key}".strip()
        self._told[f"{self._source}: [{where}] {sentence}"] = Mistake(place, key, sentence)

    def raise_any(self) -> None:
        """Raise ConfigError when there is at least one."""
        if self._told:
            raise ConfigError(tuple(self._told))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like ``word``, or None when nothing is known.

    Upper and lower case count as alike, so that ``Baud`` finds ``baud``.
    """
    return max(known, key=lambda one: _likeness(word, one), default=None)


def shown(value: object) -> str:
    """Return a value as a person wrote it, cut short where it is long."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return plain(value)
    if isinstance(value, str):
        text = value if len(value) <= _LONGEST_SHOWN else value[:_LONGEST_SHOWN] + "…"
        return f'"{text}"'
    return "a table" if isinstance(value, Mapping) else "a list"


def plain(number: float) -> str:
    """Return a number without a needless ``.0``."""
    whole = isinstance(number, float) and number.is_integer() and abs(number) < 1e15
    return str(int(number)) if whole else str(number)


def choices(words: Iterable[str]) -> str:
    """Return words as a list to choose from: ``"a", "b" or "c"``."""
    quoted = [f'"{word}"' for word in words]
    return " or ".join(([", ".join(quoted[:-1])] if quoted[:-1] else []) + quoted[-1:])


def _likeness(word: str, known: str) -> float:
    return SequenceMatcher(None, word.casefold(), known.casefold()).ratio()
