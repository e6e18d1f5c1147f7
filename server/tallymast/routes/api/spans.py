"""Times as the API takes them: any zone, never none; spans ``from ≤ t < to``, the last 24 h."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Query
from pydantic import AwareDatetime

from tallymast.routes.problems import Problem
from tallymast.routes.services import Given

DAY_MS = 86_400_000
LONGEST_MS = 10 * 366 * DAY_MS


@dataclass(frozen=True, slots=True)
class Span:
    """``from_ms ≤ t < to_ms``, UTC milliseconds."""

    from_ms: int
    to_ms: int


_From = Annotated[
    AwareDatetime | None,
    Query(alias="from", description="Begin of the span, with a zone; default 24 h before `to`."),
]
_To = Annotated[
    AwareDatetime | None,
    Query(alias="to", description="End of the span, not included; default now."),
]


def milliseconds(at: datetime) -> int:
    """Return an instant as UTC milliseconds."""
    return round(at.timestamp() * 1000)


def span(given: Given, begin: _From = None, end: _To = None) -> Span:
    """Return the span a request asks for."""
    to_ms = milliseconds(end) if end is not None else given.now_ms() + 1
    from_ms = milliseconds(begin) if begin is not None else to_ms - DAY_MS
    if from_ms >= to_ms:
        raise Problem(422, "`from` has to lie before `to`.")
    if to_ms - from_ms > LONGEST_MS:
        raise Problem(422, "A span may be ten years long at most.")
    return Span(from_ms, to_ms)


TheSpan = Annotated[Span, Depends(span)]
