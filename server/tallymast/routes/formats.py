"""How numbers, times and ages are written for people.

Ages are written by the server and kept going in the browser (web/static/js/ages.js); both
use the same steps.
"""

import math
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo

from markupsafe import Markup

from tallymast.domain import local_times
from tallymast.domain.local_times import MONTHS, local_time
from tallymast.domain.model import Point, PointKind, Reading
from tallymast.domain.orders import wording

GROUP = "\u202f"  # narrow no-break space
MINUS = "\u2212"
# The same words stand in messages, which know nothing of pages.
DAYS, lasting, clock = local_times.DAYS, local_times.lasting, local_times.clock_words
_SIZES = ("kB", "MB", "GB", "TB")


def iso(ms: int | None) -> str | None:
    """Return an instant as the API writes it, ``2026-03-08T07:00:00.000Z``."""
    if ms is None:
        return None
    at = datetime.fromtimestamp(ms // 1000, UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{ms % 1000:03d}Z"


def calendar_day(ms: int, zone: tzinfo) -> str:
    """Return the day of an instant, ``14 Apr 2027``."""
    at = local_time(ms, zone)
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


class Clock:
    """Writes times for one page: where people are, and what time it is now."""

    def __init__(self, zone: tzinfo, now_ms: int) -> None:
        self.zone = zone
        self.now_ms = now_ms

    def at(self, ms: int, seconds: bool = False) -> Markup:
        """Return ``08:02`` as a time element."""
        words = clock(ms, self.now_ms, self.zone, seconds)
        return Markup(f'<time datetime="{iso(ms)}">{words}</time>')  # made of our own words

    def at_the_time(self, ms: int) -> Markup:
        """Return ``16:52`` as a time element, where the day was said just before."""
        local = local_time(ms, self.zone)
        return Markup(f'<time datetime="{iso(ms)}">{local:%H:%M}</time>')

    def till(self, ms: int, begin_ms: int) -> Markup:
        """Return the end of a span as ``at`` does; without the day it began on."""
        day, _, time = clock(ms, self.now_ms, self.zone).rpartition(" ")
        if day == clock(begin_ms, self.now_ms, self.zone).rpartition(" ")[0]:
            return Markup(f'<time datetime="{iso(ms)}">{time}</time>')  # made of our own words
        return self.at(ms)

    def day(self, ms: int) -> str:
        """Return ``14 Apr 2027``."""
        return calendar_day(ms, self.zone)

    def words(self, ms: int) -> str:
        """Return ``08:02:11`` as text."""
        return clock(ms, self.now_ms, self.zone, seconds=True)

    def ago(self, ms: int) -> Markup:
        """Return ``40 s ago`` as a time element that goes on in the browser."""
        return self._running("ago", ms, f"{lasting(self.now_ms - ms)} ago")

    def lasts(self, ms: int) -> Markup:
        """Return ``3 h 10 min``, the span since then, going on in the browser."""
        return self._running("for", ms, lasting(self.now_ms - ms))

    def _running(self, form: str, ms: int, words: str) -> Markup:
        return Markup(f'<time data-age="{form}" datetime="{iso(ms)}">{words}</time>')


def decimals_of(point: Point) -> int | None:
    """Return how many decimals a point's value deserves, None where its scaling does not say.

    As many as the step of one count shows, and no more than a thousandth of the span needs.
    """
    if point.raw is None or point.value is None:
        return None
    counts, span = abs(point.raw[1] - point.raw[0]), abs(point.value[1] - point.value[0])
    if not counts or not span:
        return None
    by_step = math.ceil(-math.log10(span / counts) - 1e-9)
    if point.kind in (PointKind.SUPPLY_VOLTAGE, PointKind.TOTALIZER):
        return min(max(by_step, 0), 3)
    by_span = math.floor(-math.log10(span / 1000) + 1e-9)
    return min(max(min(by_step, by_span), 0), 6)


def number(value: float, decimals: int | None = None) -> str:
    """Return a number with grouped digits and a true minus sign."""
    if isinstance(value, int) or (decimals is None and float(value).is_integer()):
        text = f"{value:,.0f}"
    elif decimals is None:
        digits = max(3 - math.floor(math.log10(abs(value))), 0) if value else 0
        text = f"{value:,.{min(digits, 6)}f}"
    else:
        text = f"{value:,.{decimals}f}"
    if text.startswith("-") and not text.strip("-0.,"):
        text = text[1:]  # a tiny negative rounds to 0, not to minus 0
    return text.replace(",", GROUP).replace("-", MINUS)


def measure(value: float, point: Point) -> str:
    """Return a value of this point with its unit."""
    return with_unit(number(value, decimals_of(point)), point.unit)


def with_unit(text: str, unit: str) -> str:
    """Return a number and its unit, which stay on one line."""
    return f"{text}\u00a0{unit}" if unit else text


def value_words(reading: Reading | None, point: Point) -> str:
    """Return a reading's value with its unit, the contact's word, or ``unknown``.

    A pulse output shows how long it still runs.
    """
    if reading is None or reading.value is None:
        return "unknown"
    if isinstance(reading.value, bool):
        return (point.words or ("off", "on"))[int(reading.value)]
    if isinstance(reading.value, str):
        return reading.value
    return _still_to_run(reading, point) or measure(reading.value, point)


def _still_to_run(reading: Reading, point: Point) -> str:
    """Return a pulse output's on-time still to run; empty for every other point."""
    is_pulse = point.kind is PointKind.PULSE_OUTPUT and point.seconds_per_count is not None
    if not is_pulse or not isinstance(reading.raw, int | float):
        return ""
    left_s = float(reading.raw) * (point.seconds_per_count or 1.0)
    return f"on, {wording.span_words(left_s)} to run" if left_s > 0 else "off"


def share(part: int, whole: int) -> str:
    """Return a share in per cent that never says 100 when something is missing, nor 0 when not."""
    if whole == 0:
        return "none asked"
    percent = 100 * part / whole
    if part == whole:
        return "100\u00a0%"
    if percent > 99.9:
        return ">\u200999.9\u00a0%"
    return f"{max(percent, 0.1 if part else 0):.1f}\u00a0%"


def percent(part: float | None, decimals: int = 1) -> str:
    """Return a share 0..1 in per cent, in the words of ``share``; ``unknown`` where it is none."""
    if part is None:
        return "unknown"
    if part in (0, 1):
        return f"{100 * part:.0f}\u00a0%"
    least = 10.0**-decimals
    if 100 * part > 100 - least:
        return f">\u2009{100 - least:.{decimals}f}\u00a0%"
    return f"{max(100 * part, least):.{decimals}f}\u00a0%"


def fineness(low: float, high: float) -> int:
    """Return how many decimals of a per cent an interval of shares deserves."""
    return 1 if high - low >= 0.002 else 2  # ours


def between(low: float, high: float) -> str:
    """Return the ends of an interval of shares in per cent, ``98.9 to 99.4``."""
    ends = (f"{100 * end:.{fineness(low, high)}f}" for end in (low, high))
    return " to ".join("100" if float(end) == 100 else end for end in ends)


def plural(count: int, one: str, many: str = "") -> str:
    """Return ``1 site`` or ``3 sites``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def big(size: float) -> str:
    """Return a number of bytes as people say it: ``3.1 MB``, in steps of a thousand."""
    if size < 1000:
        return f"{size:.0f} bytes"
    unit = min(int(math.log10(size) // 3), len(_SIZES))
    amount = size / 1000**unit
    return f"{amount:.{0 if amount >= 100 else 1}f}\u00a0{_SIZES[unit - 1]}"


def span_words(days: float) -> str:
    """Return a long span roughly: ``about 12 days``, ``about 9 years``, ``more than a century``."""
    if days < 2:
        return f"about {max(days * 24, 0):.0f} hours"
    if days < 90:
        return f"about {days:.0f} days"
    if days < 3 * 365:
        return f"about {days / 30.44:.0f} months"
    return f"about {days / 365.25:.0f} years" if days < 36_525 else "more than a century"


Formats = dict[str, Callable[..., object]]
FILTERS: Formats = {
    "iso": iso,
    "lasting": lasting,
    "number": number,
    "share": share,
    "plural": plural,
    "big": big,
}
