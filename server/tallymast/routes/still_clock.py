"""Times for a sheet that stands still: on paper, in a file, on a page without a stream.

An age counts to the instant the sheet was made, whenever somebody reads it. So it is never
``ago`` and never runs on; it is ``before``, and the sheet's head says before what.
"""

from markupsafe import Markup

from tallymast.domain.local_times import local_time
from tallymast.routes.formats import Clock, iso, lasting


class StillClock(Clock):
    """Writes times of one sheet; its ages stay as they were."""

    def ago(self, ms: int) -> Markup:
        """Return ``40 s before``."""
        return self._still(ms, f"{lasting(self.now_ms - ms)} before")

    def lasts(self, ms: int) -> Markup:
        """Return ``3 h 10 min``, the span since then."""
        return self._still(ms, lasting(self.now_ms - ms))

    @property
    def as_of(self) -> str:
        """The sheet's own instant: ``25 Nov 2026 08:02 MST (UTC-07:00)``."""
        at = local_time(self.now_ms, self.zone)
        offset = f"UTC{at:%z}"
        offset = f"{offset[:-2]}:{offset[-2:]}"
        name = at.tzname() or ""
        zone = offset if name.startswith("UTC") and name != "UTC" else f"{name} ({offset})"
        return f"{self.day(self.now_ms)} {at:%H:%M} {zone}"

    @property
    def minute(self) -> int:
        """The minute of the local day, 0..1439."""
        at = local_time(self.now_ms, self.zone)
        return 60 * at.hour + at.minute

    def _still(self, ms: int, words: str) -> Markup:
        return Markup(f'<time datetime="{iso(ms)}">{words}</time>')  # made of our own words
