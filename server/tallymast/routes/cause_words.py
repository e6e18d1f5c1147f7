"""Writes what a diagnosis says with the times of the page's clock."""

import re
from typing import Final

from markupsafe import Markup, escape

from tallymast.domain.health.diagnosis.model import At, Said, Since, TimeOf, Value
from tallymast.routes.formats import MINUS, Clock

_MINUS: Final = re.compile(r"(?<![\w.-])-(?=\d)")  # before a number; not in a date or a range


def cause_words(said: Said, clock: Clock) -> Markup:
    """Return words with their values; times as the clock writes them."""
    text = escape(_MINUS.sub(MINUS, said.text))
    return text.format(*(_written(value, clock) for value in said.values))


def _written(value: Value, clock: Clock) -> Markup:
    match value:
        case At(ms):
            return clock.at(ms)
        case TimeOf(ms):
            return clock.at_the_time(ms)
        case Since(ms):
            return Markup(clock.lasts(ms))
        case _:
            return escape(_MINUS.sub(MINUS, value))
