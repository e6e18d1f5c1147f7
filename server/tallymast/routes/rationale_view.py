"""Why an alarm calls and what to do, as its page shows it: the words in force, whose they are."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from tallymast.domain.alarms.model import Alarm
from tallymast.domain.alarms.rationalised import LONGEST, TERMS, Written, as_built, told_words
from tallymast.domain.model import Priority

_TERMS: Final = {
    "response": TERMS["response"],
    "rationale": TERMS["rationale"],
    "consequence": TERMS["consequence"],
}  # what an operator looks for first comes first
HINTS: Final = {
    "response": "Whom to call and by which number, what to stop or open, how much time there is.",
    "rationale": "What this alarm means here.",
    "consequence": "What happens, and how soon.",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One part: what it is called, the words in force, and what is built in where it differs."""

    name: str
    term: str
    words: str
    built: str = ""


@dataclass(frozen=True, slots=True)
class Typed:
    """A form that was refused, whole.

    Attributes:
        fields: what was typed, as it came.
        wrong: a sentence a field, and of the whole under ``all``.
        ask: what is to be considered before it is kept.

    """

    fields: Mapping[str, str] = field(default_factory=dict)
    wrong: Mapping[str, str] = field(default_factory=dict)
    ask: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """The words of an alarm and their form.

    Attributes:
        lines: what is in force; empty where the alarm is set up no more.
        written: what people wrote, and when; ``kept``: in one run.
        fields: what stands in the form.
        priorities: each with what it is called there.
        typed: what was refused.

    """

    lines: tuple[Line, ...]
    written: Written
    kept: str
    fields: Mapping[str, str]
    priorities: tuple[tuple[str, str], ...]
    typed: Typed
    longest: int = LONGEST
    hints: Mapping[str, str] = field(default_factory=lambda: HINTS)
    terms: Mapping[str, str] = field(default_factory=lambda: _TERMS)

    @property
    def is_own(self) -> bool:
        """Whether people wrote any of it."""
        return not self.written.is_empty


def words_of(alarm: Alarm | None, written: Written, typed: Typed) -> Words:
    """Return what the page shows of an alarm's words.

    Args:
        alarm: as it is in force; None: it is set up no more.
        written: what people wrote of it.
        typed: what was refused just now.

    """
    if alarm is None:
        return Words((), written, told_words(written), {}, (), typed)
    built = as_built(alarm)
    fields = {name: getattr(alarm, name) for name in TERMS} | {"priority": alarm.priority.value}
    fields["seen"] = str(written.at_ms)
    names = [(one.value, _named(one, built)) for one in Priority]
    lines = (
        Line("priority", "Priority", alarm.priority.value, _else("priority", alarm, built)),
        *(
            Line(name, term, getattr(alarm, name), _else(name, alarm, built))
            for name, term in _TERMS.items()
        ),
    )
    shown = {**fields, **typed.fields}
    if shown["priority"] not in list(Priority):  # else a browser would show the first of all
        shown["priority"] = fields["priority"]
    return Words(lines, written, told_words(written), shown, tuple(names), typed)


def _named(one: Priority, built: Alarm) -> str:
    return f"{one.value}, as built in" if one is built.priority else one.value


def _else(name: str, alarm: Alarm, built: Alarm) -> str:
    """Return what is built in where people wrote something else; empty where it is in force."""
    now, then = getattr(alarm, name), getattr(built, name)
    return "" if now == then else str(then) or "nothing"
