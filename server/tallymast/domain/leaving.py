"""Who has left for a site and is not back: written into its log book as plain sentences.

The log book is all there is: nothing here watches a clock, and nobody is called. A person who
is back writes so; until then the sentence stands open.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

CLOCK: Final = r"(?:[01]\d|2[0-3]):[0-5]\d"
# Ours: a sentence that nobody closed in two days says nothing about today any more.
KEPT_MS: Final = 48 * 3_600_000
_LEAVES = re.compile(
    rf"(?P<name>.+?) leaves for .+ (?P<out>{CLOCK}), back by (?P<back>{CLOCK}); "
    r"(?P<knows>.+) knows\."
)
_BACK = re.compile(rf"(?P<name>.+?) is back from .+ {CLOCK}\.")


@dataclass(frozen=True, slots=True)
class Leaving:
    """Somebody who left; clocks as ``09:10`` on the network's wall clock."""

    name: str
    out: str
    back: str
    knows: str
    written_ms: int


def leaving_words(name: str, site: str, out: str, back: str, knows: str) -> str:
    """Return the sentence that somebody leaves for a site."""
    return f"{name} leaves for {site} {out}, back by {back}; {knows} knows."


def back_words(name: str, site: str, at: str) -> str:
    """Return the sentence that somebody is back."""
    return f"{name} is back from {site} {at}."


def still_out(notes: Sequence[tuple[int, str]], now_ms: int) -> tuple[Leaving, ...]:
    """Return who left and has not written to be back, the latest first.

    Args:
        notes: when each visit note was written [ms] and its text, newest first.
        now_ms: notes older than two days count no more.

    """
    closed: set[str] = set()
    found = []
    for at_ms, text in notes:
        if now_ms - at_ms > KEPT_MS:
            break
        if back := _BACK.fullmatch(text):
            closed.add(back["name"].casefold())
        elif (out := _LEAVES.fullmatch(text)) and out["name"].casefold() not in closed:
            closed.add(out["name"].casefold())
            found.append(Leaving(out["name"], out["out"], out["back"], out["knows"], at_ms))
    return tuple(found)
