"""What visitors found before, as evidence for what is named now.

Experience moves a score a little and says so in a sentence. It never silences a cause that
was named, and never names one: it sees only what ``diagnose`` found.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from math import log
from typing import Final

from tallymast.domain.health.diagnosis.model import SPOKEN, At, Diagnosis, Said

# Ours: before anybody has visited, a cause is taken to be right 4 times in 5 (SPOKEN stands for
# the same odds), with the weight of twenty visits, so that no single word weighs much.
PRIOR_RIGHT: Final = 16.0
PRIOR_WRONG: Final = 4.0
MOST: Final = 0.5
"""Ours: a score moves by at most so much, half of what parts two causes (APART)."""
SITE_WEIGHT: Final = 2.0  # ours: a visit to this very site counts as two elsewhere
TELLING: Final = 3  # ours: fewer visits elsewhere are not told as a share
TOLD: Final = 3  # ours: how many visits to this site a sentence names


class Verdict(StrEnum):
    """What a visitor says of a finding."""

    CONFIRMED = "confirmed"
    OTHER = "other"  # something else was wrong
    NOTHING = "nothing-found"

    @property
    def words(self) -> str:
        """The verdict in a sentence."""
        return _WORDS[self]


_WORDS: Final = {
    Verdict.CONFIRMED: "confirmed",
    Verdict.OTHER: "something else",
    Verdict.NOTHING: "nothing found",
}


@dataclass(frozen=True, slots=True)
class PastWord:
    """The last word on one finding.

    Attributes:
        cause: the finding's.
        site_id: where; None for a gateway's own finding.
        gateway_id: behind which gateway.
        at_ms: when it was said.
        verdict: what was said.
        found: what it was, in the visitor's words; may be empty.
        is_open: whether that finding still stands.
        tag: of the point it is about.

    """

    cause: str
    site_id: int | None
    gateway_id: int
    at_ms: int
    verdict: Verdict
    found: str = ""
    is_open: bool = False
    tag: str = ""


@dataclass(frozen=True)
class Experience:
    """The last words on all findings of a network, the newest first."""

    words: Sequence[PastWord] = field(default=())

    @cached_property
    def _by_cause(self) -> dict[str, list[PastWord]]:
        found: dict[str, list[PastWord]] = {}
        for one in sorted(self.words, key=lambda word: -word.at_ms):
            found.setdefault(one.cause, []).append(one)
        return found

    def of(self, told: Diagnosis) -> tuple[list[PastWord], list[PastWord]]:
        """Return the words on a cause: those on findings here, and those on findings elsewhere."""
        here: list[PastWord] = []
        elsewhere: list[PastWord] = []
        for one in self._by_cause.get(told.cause, ()):
            (here if _is_here(one, told) else elsewhere).append(one)
        return here, elsewhere


NO_EXPERIENCE: Final = Experience()


def with_experience(
    found: Sequence[Diagnosis], experience: Experience = NO_EXPERIENCE
) -> tuple[Diagnosis, ...]:
    """Return what was named with what visitors found before, the surest first.

    Args:
        found: as ``diagnose`` names it.
        experience: the last words on findings of this network.

    Where no word is known to a cause, it stays as it is.

    """
    told = [_experienced(one, experience) for one in found]
    return tuple(sorted(told, key=lambda one: -one.score))


def shift(right: float, wrong: float) -> float:
    """Return how far visits move a score, -MOST to MOST.

    The odds of the mean of a Beta distribution against those of the prior:
    ln((right + a) / (wrong + b)) - ln(a / b), a = PRIOR_RIGHT, b = PRIOR_WRONG. With n visits
    of which the share the prior expects was confirmed, this is 0.

    Args:
        right: visits that confirmed the cause, weighted.
        wrong: visits that did not.

    Source: the Beta distribution is conjugate to the binomial (Gelman et al., Bayesian Data
    Analysis, 3rd ed., section 2.4); prior, weights and bound are ours.

    """
    moved = log((right + PRIOR_RIGHT) / (wrong + PRIOR_WRONG)) - log(PRIOR_RIGHT / PRIOR_WRONG)
    return max(-MOST, min(moved, MOST))


def _experienced(told: Diagnosis, experience: Experience) -> Diagnosis:
    here, elsewhere = experience.of(told)
    if not here and not elsewhere:
        return told
    right = _confirmed(elsewhere) + SITE_WEIGHT * _confirmed(here)
    wrong = len(elsewhere) + SITE_WEIGHT * len(here) - right
    score = max(told.score + shift(right, wrong), min(told.score, SPOKEN))
    said = tuple(_sentences(here, elsewhere))
    return replace(told, score=score, rests_on=(*told.rests_on, *said))


def _is_here(one: PastWord, told: Diagnosis) -> bool:
    if one.tag != told.tag:
        return False
    if told.site_ids:
        return one.site_id in told.site_ids
    return one.site_id is None and one.gateway_id == told.gateway_id


def _confirmed(words: Iterable[PastWord]) -> int:
    return sum(one.verdict is Verdict.CONFIRMED for one in words)


# --- sentences ------------------------------------------------------------------------


def _sentences(here: Sequence[PastWord], elsewhere: Sequence[PastWord]) -> Iterable[Said]:
    for head, some in (
        ("Visited for this", [one for one in here if one.is_open]),
        ("Here before", [one for one in here if not one.is_open]),
    ):
        if some:
            yield _visits(head, some[:TOLD])
    visited = len(here) + len(elsewhere)
    if visited >= TELLING:
        right = _confirmed(here) + _confirmed(elsewhere)
        were = "was" if right == 1 else "were"
        yield Said(f"Of {visited} such findings visited, {right} {were} confirmed.")


def _visits(head: str, some: Sequence[PastWord]) -> Said:
    """Return ``Here before: {}, confirmed (connector).``, times as values."""
    parts = ["{}, {}" for _ in some]
    values = [value for one in some for value in (At(one.at_ms), _found(one))]
    return Said(f"{head}: {'; '.join(parts)}.", *values)


def _found(one: PastWord) -> str:
    return f"{one.verdict.words} ({one.found})" if one.found else one.verdict.words
