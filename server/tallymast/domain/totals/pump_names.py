"""What a point's name says of the pump it belongs to: what remains without the word of its role.

"Pump 1 running", "Pump 1 hours" and "PUMP No. 01 starts" all leave pump 1. Which words tell a
role, and which stand for no pump, are ours.
"""

import re
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Final

Key = tuple[str, ...]

_WORD: Final = re.compile(r"[^\W\d_]+|\d+")


def words_of(text: str) -> Key:
    """Return a name's words and numbers in lower case; "P1_RUN" has three."""
    return tuple(found.casefold() for found in _WORD.findall(text))


RUNS: Final = frozenset(words_of("run runs running"))
OF_STATE: Final = RUNS | frozenset(
    words_of("on state status contact contactor feedback proof proven input")
)
OF_HOURS: Final = RUNS | frozenset(
    words_of(
        "hour hours hr hrs runtime time duration operating operation in"
        " hourmeter meter count counter total accumulated"
    )
)
OF_STARTS: Final = frozenset(
    words_of(
        "start starts started starting cycle cycles operation operations"
        " count counts counter total accumulated number"
    )
)
OF_OUTPUT: Final = RUNS | frozenset(words_of("start stop on off command order output contactor"))
# Counts of many pumps, and counts that somebody sets back: never a pump's own.
_OF_NO_PUMP: Final = frozenset(
    words_of(
        "all both together combined common station site since last reset service overhaul"
        " maintenance oil today yesterday day daily week weekly month monthly"
    )
)
_FILLERS: Final = frozenset(words_of("of the no nr number"))
_PUMP: Final = frozenset(words_of("pump pumps motor motors"))
_TURNS: Final = frozenset(words_of("duty standby assist lead lag"))


@dataclass(frozen=True, slots=True)
class PumpName:
    """What remains of a name.

    Attributes:
        shown: for people; empty where nothing remains.
        words: in lower case, without words that only fill, numbers without leading zeros.

    """

    shown: str
    words: Key

    def __bool__(self) -> bool:
        """Whether anything remains."""
        return bool(self.words)

    @property
    def key(self) -> Key:
        """The same for all names of one pump; empty where the name says of none.

        "Pump 1", "Motor 1", "P1" and "1" are one: a pump is meant anyway.
        """
        if not self.words:
            return ()
        kept = [
            word
            for word, after in pairwise((*self.words, ""))
            if word not in _PUMP and not (word == "p" and after.isdecimal())
        ]
        return tuple(kept) or ("pump",)

    @property
    def says_which(self) -> bool:
        """Whether it says more than that it is of a pump."""
        return any(word not in _PUMP for word in self.words)

    @property
    def may_be_a_pump(self) -> bool:
        """Whether it names something that can be one pump."""
        return bool(self.words) and _OF_NO_PUMP.isdisjoint(self.words)


def name_in(text: str, role: frozenset[str]) -> PumpName:
    """Return what remains of a point's name without the words of its role."""
    words = [word for word in words_of(text) if word not in role and word not in _FILLERS]
    plain = tuple(str(int(word)) if word.isdecimal() else word for word in words)
    return PumpName(_shown(text, role, plain), plain)


def are_alike(a: PumpName, b: PumpName) -> bool:
    """Return whether two names are of two pumps named alike, as "Pump 1" and "Pump 2" are.

    One word differs; the others are the same, or there is none and both are numbers, letters or
    words of whose turn it is.
    """
    return _one_apart(a.key, b.key) or _one_apart(a.words, b.words)


def are_all_alike(names: list[PumpName]) -> bool:
    """Return whether every two of some names are of pumps named alike."""
    return all(are_alike(a, b) for a, b in combinations(names, 2))


def _one_apart(a: Key, b: Key) -> bool:
    if len(a) != len(b):
        return False
    apart = [(one, other) for one, other in zip(a, b, strict=True) if one != other]
    if len(apart) != 1:
        return False
    return len(a) > 1 or all(_is_mark(word) or word in _TURNS for word in apart[0])


def _is_mark(word: str) -> bool:
    return word.isdecimal() or len(word) == 1


def _shown(text: str, role: frozenset[str], words: Key) -> str:
    if not words:
        return ""
    bare = _WORD.sub(lambda found: "" if found[0].casefold() in role else found[0], text)
    bare = re.sub(r"[\s_]+", " ", bare.replace("()", "")).strip(" -–.,:;/")
    bare = re.sub(r"^(of |the )+", "", bare, flags=re.IGNORECASE)
    if len(words) == 1 and _is_mark(words[0]):
        return f"Pump {bare}"
    return bare[:1].upper() + bare[1:]
