"""The time of day as this process takes it: the computer's own, or moved for a test.

A test clock is the computer's with an offset that is read from a file again and again, so that
a clock set wrong, and then right, can be tried on a running program. Stamps and pages go by it;
pacing and timeouts are measured by clocks that nobody can set.
"""

import logging
import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

log = logging.getLogger(__name__)

READ_EVERY_S = 1.0
FURTHEST_S = 10 * 366 * 86_400.0  # Ours: an offset beyond ten years is a slip of the pen
_UNITS = ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s"))


def _computers_ms() -> int:
    return time.time_ns() // 1_000_000


class WallClock:
    """A clock; the computer's where there is no file.

    Args:
        file: holds an offset [s]; read at most once a second. What cannot be read or is no
            number leaves the last offset as it was, at first 0.
        computers_ms: the computer's clock, UTC milliseconds.
        monotonic_s: measures when to read again.

    """

    def __init__(
        self,
        file: Path | None = None,
        computers_ms: Callable[[], int] = _computers_ms,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._file = file
        self._computers_ms = computers_ms
        self._monotonic_s = monotonic_s
        self._read_at = -math.inf
        self._offset_ms = 0

    def wall_ms(self) -> int:
        """Return UTC milliseconds."""
        return self._computers_ms() + self._offset()

    def notice(self) -> str:
        """Return in a sentence how this clock differs from the computer's; empty without a file."""
        if self._file is None:
            return ""
        offset_s = self._offset() / 1000
        if not offset_s:
            return "Test clock: the time on this page is this computer's, until its file moves it."
        way = "ahead of" if offset_s > 0 else "behind"
        return f"Test clock: the time on this page is {_span(abs(offset_s))} {way} this computer's."

    def _offset(self) -> int:
        if self._file is not None and self._monotonic_s() - self._read_at >= READ_EVERY_S:
            self._read_at = self._monotonic_s()
            found = _offset_in(self._file)
            if found is not None and found != self._offset_ms:
                log.warning("test clock offset_ms=%d", found)
                self._offset_ms = found
        return self._offset_ms


def _offset_in(file: Path) -> int | None:
    """Return the offset a file holds [ms]; None if it holds none."""
    try:
        offset_s = float(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return round(1000 * offset_s) if abs(offset_s) <= FURTHEST_S else None


def _span(seconds: float) -> str:
    """Return a length of time in its largest two units; less than a second in seconds."""
    left, parts = round(seconds), []
    for length_s, unit in _UNITS:
        count, left = divmod(left, length_s)
        if count:
            parts.append(f"{count} {unit}")
    return " ".join(parts[:2]) or f"{seconds:.3f} s"


_clock = [WallClock()]  # one: this process's


def now_ms() -> int:
    """Return this process's time of day, UTC milliseconds."""
    return _clock[0].wall_ms()


def clock() -> WallClock:
    """Return this process's clock."""
    return _clock[0]


@contextmanager
def moved_by(file: Path | None) -> Iterator[WallClock]:
    """Take the time of day from a test clock for a block; None: the computer's."""
    before = _clock[0]
    _clock[0] = WallClock(file)
    try:
        yield _clock[0]
    finally:
        _clock[0] = before
