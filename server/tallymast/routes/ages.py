"""Keeps rendered markup whose ages are written when it is shown, not when it was rendered.

A fragment is rendered once and shown for as long as nothing in it changes. The ages in it
(``<time data-age>``, as formats.Clock writes them) would then say how old things were at that
moment; a reader without scripts would be told so until the next poll. Here the markup is cut
at its ages once, and each showing writes them anew, which costs far less than rendering.
"""

import re
from datetime import datetime

from markupsafe import Markup

from tallymast.routes.formats import lasting

_AGE = re.compile(r'(<time data-age="(ago|for)" datetime="([^"]+)">)[^<]*(?=</time>)')


class Aged:
    """Markup, with its ages left open."""

    __slots__ = ("_ages", "_begin")

    def __init__(self, html: Markup) -> None:
        begin, *rest = _AGE.split(html)
        self._begin = str(begin)
        self._ages = [
            (rest[n], _ms(rest[n + 2]), " ago" if rest[n + 1] == "ago" else "", rest[n + 3])
            for n in range(0, len(rest), 4)
        ]

    def at(self, now_ms: int) -> Markup:
        """Return the markup with its ages as of ``now_ms``."""
        parts = [self._begin]
        for opening, ms, end, text in self._ages:
            parts += (opening, lasting(now_ms - ms), end, text)
        return Markup("".join(parts))  # of markup, and of words of our own


def _ms(written: str) -> int:
    return round(datetime.fromisoformat(written).timestamp() * 1000)
