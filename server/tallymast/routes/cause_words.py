"""Writes what a diagnosis says with the times of the page's clock."""

from markupsafe import Markup, escape

from tallymast.domain.health.diagnosis.model import At, Said, Since, TimeOf, Value
from tallymast.routes.formats import Clock


def cause_words(said: Said, clock: Clock) -> Markup:
    """Return words with their values; times as the clock writes them."""
    return escape(said.text).format(*(_written(value, clock) for value in said.values))


def _written(value: Value, clock: Clock) -> Markup:
    match value:
        case At(ms):
            return clock.at(ms)
        case TimeOf(ms):
            return clock.at_the_time(ms)
        case Since(ms):
            return Markup(clock.lasts(ms))
        case _:
            return escape(value)
