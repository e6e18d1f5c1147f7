"""The nouns of a check-out: one step of proving a point, and how the point was read then."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from tallymast.domain.model import LayoutPoint, Point, SiteLayout


class Phase(StrEnum):
    """Before or after something was adjusted."""

    AS_FOUND = "as-found"
    AS_LEFT = "as-left"

    @property
    def words(self) -> str:
        """As it is written for people."""
        return self.value.replace("-", " ")


class Result(StrEnum):
    """What came of a step; ``seen`` steps are told and not judged."""

    PASS = "pass"
    FAIL = "fail"
    NOT_TESTED = "not-tested"
    SEEN = "seen"

    @property
    def words(self) -> str:
        """As it is written for people."""
        return self.value.replace("-", " ")


class StepKind(StrEnum):
    """What was done in a step."""

    CHECK = "check"  # a known value applied, and what was shown
    DOWN = "check-down"  # the same, coming from above
    STATE = "state"  # a contact or output seen in a state
    START = "start"  # where a counter stood before anything was applied
    ADJUST = "adjust"  # something was adjusted: what follows is as left
    VERDICT = "verdict"  # what a person says of the point


@dataclass(frozen=True, slots=True)
class Meaning:
    """How a point is read: whatever of it changes, an older proof says nothing of it any more."""

    kind: str
    table: str
    register: int
    layout: str
    bit: int | None = None
    length: int = 1
    word_order: str = "high-first"
    byte_order: str = "high-first"
    raw: tuple[float, float] | None = None
    value: tuple[float, float] | None = None
    unit: str = ""
    loop: str | None = None

    @property
    def digest(self) -> str:
        """32 hexadecimal digits that are the same for equal meanings, whoever writes them."""
        text = json.dumps(self.as_json(), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:32]

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON can hold it; numbers of the scale as floats, so that 4 is 4.0."""
        told = asdict(self)
        for name in ("raw", "value"):
            pair = told[name]
            told[name] = None if pair is None else [float(one) for one in pair]
        return told


def meaning_of(point: Point) -> Meaning:
    """Return how a point is read by the network as it is."""
    return Meaning(
        kind=point.kind.value,
        table=point.table.value,
        register=point.register,
        layout=point.layout.value,
        bit=point.bit,
        length=point.length,
        word_order=point.word_order.value,
        byte_order=point.byte_order.value,
        raw=point.raw,
        value=point.value,
        unit=point.unit,
        loop=point.loop,
    )


def meaning_in(layout: SiteLayout, point: LayoutPoint) -> Meaning:
    """Return how a point was read by a layout that is kept."""
    block = layout.blocks[point.block]
    return Meaning(
        kind=point.kind.value,
        table=block.table.value,
        register=block.start + point.offset,
        layout=point.layout.value,
        bit=point.bit,
        length=point.length,
        word_order=point.word_order.value,
        byte_order=point.byte_order.value,
        raw=point.raw,
        value=point.value,
        unit=point.unit,
        loop=point.loop,
    )


def meaning_from(told: Mapping[str, Any]) -> Meaning | None:
    """Return a meaning from what ``as_json`` wrote, None where nothing was written."""
    if not told:
        return None
    known = {name: told[name] for name in Meaning.__dataclass_fields__ if name in told}
    for name in ("raw", "value"):
        if known.get(name) is not None:
            known[name] = tuple(known[name])
    return Meaning(**known)


_MOVED = ("table", "register", "bit")
_RESCALED = ("raw", "value", "unit", "loop")


def changed(then: Meaning, now: Meaning) -> str:
    """Return in a word or two what is different in how a point is read; empty if nothing is."""
    before, after = then.as_json(), now.as_json()
    other = {name for name in before if before[name] != after[name]}
    parts = []
    if other.intersection(_MOVED):
        parts.append("moved to another register")
    if other.intersection(_RESCALED):
        parts.append("rescaled")
    if other.difference(_MOVED, _RESCALED):
        parts.append("read in another way")
    return " and ".join(parts)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of proving a point.

    Attributes:
        n: its place in the proof, from 1.
        applied: what was applied: mA for a current loop, pulses for a counter, else in the
            point's own unit.
        expected: what has to be shown for it, in the point's own unit (a counter: pulses).
        shown: what was shown, the state of a contact as 0 or 1; None: no value.
        shown_ms: when the station answered it.
        error_pct: of the span or of what is expected, as ``loop_check.Basis`` says.
        meaning: how the point was read then.
        raw: the number the station answered, before scaling.
        note: a few words.

    """

    n: int
    tag: str
    kind: StepKind
    phase: Phase
    result: Result
    at_ms: int
    actor: str
    applied: float | None = None
    expected: float | None = None
    shown: float | None = None
    shown_ms: int | None = None
    error_pct: float | None = None
    tolerance_pct: float | None = None
    meaning: Meaning | None = None
    raw: float | str | None = None
    note: str = ""
    more: Mapping[str, Any] = field(default_factory=dict)
