"""What the people of a site wrote of one alarm in place of what is built in.

An alarm has a priority, a rationale, a consequence and a response (ANSI/ISA-18.2, secondary
restatement: rationalisation). What is built in knows the kind of an alarm and not the place; who
knows the place writes it here, field by field. What nobody wrote stays as built in, and follows it.
"""

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain.alarms.model import Alarm
from tallymast.domain.model import Priority

LONGEST: Final = 600  # characters; ours: what is read at night on a phone is shorter
TERMS: Final = {
    "rationale": "Why it is an alarm",
    "consequence": "If nobody does",
    "response": "What to do",
}


@dataclass(frozen=True, slots=True)
class Written:
    """What people wrote of one alarm.

    Attributes:
        priority: None: as built in.
        rationale, consequence, response: on one line each; empty: as built in.
        actor: who wrote it last; at_ms: when [UTC ms].

    """

    priority: Priority | None = None
    rationale: str = ""
    consequence: str = ""
    response: str = ""
    actor: str = ""
    at_ms: int = 0

    @property
    def is_empty(self) -> bool:
        """Whether everything is as built in."""
        return self.priority is None and not any(getattr(self, name) for name in TERMS)


def with_words(alarms: Iterable[Alarm], written: Mapping[str, Written]) -> tuple[Alarm, ...]:
    """Return alarms with what people wrote of them; words of an alarm that is not there rest.

    Args:
        alarms: as they are built in.
        written: by the alarm's key.

    """
    return tuple(_with(one, written[one.key]) if one.key in written else one for one in alarms)


def as_built(alarm: Alarm) -> Alarm:
    """Return an alarm as it is built in, whatever people wrote of it."""
    return alarm.built_in or alarm


def apart(alarm: Alarm, wanted: Written) -> Written:
    """Return what is wanted of an alarm without what is built in anyway."""
    built = as_built(alarm)
    texts = {name: getattr(wanted, name) for name in TERMS}
    own = {name: "" if text == getattr(built, name) else text for name, text in texts.items()}
    priority = None if wanted.priority is built.priority else wanted.priority
    return Written(priority, **own, actor=wanted.actor, at_ms=wanted.at_ms)


def one_line(text: str) -> str:
    """Return a text with its line breaks, tabs and runs of blanks as single blanks."""
    for one in "\r\n\t":
        text = text.replace(one, " ")
    return " ".join(word for word in text.split(" ") if word)


def wrong_with(term: str, text: str) -> str:
    """Return in a sentence why a text, on one line, cannot be kept; empty if it can.

    PostgreSQL's text holds no NUL, and what steers a terminal or turns the direction of writing
    would show a reader something else than what is there.
    """
    for place, one in enumerate(text):
        if unicodedata.category(one)[0] == "C":
            after = f"after “{text[max(0, place - 20) : place]}”" if place else "at the beginning"
            return f"{term}: a control character stands {after}; write plain text."
    if len(text) > LONGEST:
        return f"{term}: this has {len(text)} characters; at most {LONGEST} are kept."
    return ""


def change_words(alarm: Alarm, before: Written, after: Written) -> str:
    """Return what changes of an alarm, new and old, as the audit tells it; empty: nothing."""
    was, now = _with(as_built(alarm), before), _with(as_built(alarm), after)
    found = []
    if was.priority is not now.priority:
        found.append(f"priority {now.priority}, before {was.priority}")
    for name, term in TERMS.items():
        old, new = getattr(was, name), getattr(now, name)
        if old != new:
            found.append(f"{term.lower()} “{new}”, before “{old}”")
    return "; ".join(found)


def told_words(one: Written) -> str:
    """Return what people wrote in one run, also of an alarm that is set up no more."""
    found = [] if one.priority is None else [f"priority {one.priority}"]
    words = {term: getattr(one, name) for name, term in TERMS.items()}
    found += [f"{term.lower()} “{text}”" for term, text in words.items() if text]
    return "; ".join(found)


def fields_of(one: Written) -> dict[str, str]:
    """Return what people wrote, by field; fields that are as built in are left out."""
    found = {} if one.priority is None else {"priority": one.priority.value}
    return found | {name: text for name in TERMS if (text := getattr(one, name))}


def _with(alarm: Alarm, one: Written) -> Alarm:
    built = as_built(alarm)
    if apart(built, one).is_empty:
        return built
    return replace(
        built,
        priority=one.priority or built.priority,
        rationale=one.rationale or built.rationale,
        consequence=one.consequence or built.consequence,
        response=one.response or built.response,
        built_in=built,
    )
