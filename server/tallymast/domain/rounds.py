"""The Morning round of a day as it is kept, and what has changed since another day's.

A kept round is what was said then, in the words of then: a later version words its own rounds
differently and leaves this one alone.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

KEPT_AT_MINUTE: Final = 7 * 60  # ours: a day's round is kept at seven on the local clock


@dataclass(frozen=True, slots=True)
class KeptLine:
    """One cause as it was told.

    Attributes:
        key: names the cause the same way as long as it lasts.
        text: the sentence, plain.
        act: whether it called for a person that day.
        sites: keys of the sites that needed somebody because of it.

    """

    key: str
    text: str
    act: bool
    sites: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KeptRound:
    """A day's round.

    Attributes:
        day: local, counted from 1970-01-01.
        at_ms: when it was kept.
        headline: how many sites needed nobody.
        looked_at: what was checked and clean, in words.
        unknown: what could not be judged, in words.
        lines: one a cause, most pressing first.

    """

    day: int
    at_ms: int
    headline: str
    looked_at: str
    unknown: str
    lines: tuple[KeptLine, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """What differs from an earlier round.

    Attributes:
        new: keys of causes that were not there then.
        over: causes of then that are no more.
        still: how many were there then and are there now.

    """

    new: tuple[str, ...]
    over: tuple[KeptLine, ...]
    still: int


def changes(before: KeptRound, keys: Sequence[str]) -> Changes:
    """Return what has changed since ``before``; ``keys`` are today's causes in their order."""
    then, now = {line.key for line in before.lines}, set(keys)
    return Changes(
        tuple(key for key in keys if key not in then),
        tuple(line for line in before.lines if line.key not in now),
        len(then & now),
    )


def to_text(kept: KeptRound) -> str:
    """Return a round as it is stored, without its day and time."""
    lines = [
        {"key": one.key, "text": one.text, "act": one.act, "sites": list(one.sites)}
        for one in kept.lines
    ]
    body = {
        "headline": kept.headline,
        "looked_at": kept.looked_at,
        "unknown": kept.unknown,
        "lines": lines,
    }
    return json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def from_text(day: int, at_ms: int, text: str) -> KeptRound:
    """Return a stored round."""
    body = json.loads(text)
    lines = tuple(
        KeptLine(one["key"], one["text"], one["act"], tuple(one["sites"])) for one in body["lines"]
    )
    return KeptRound(day, at_ms, body["headline"], body["looked_at"], body["unknown"], lines)
