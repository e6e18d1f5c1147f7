"""Draws a finding's picture small, into the page itself: for paper, and where no script runs.

A drawing for each pane, its lines told apart by dash; levels and marks as on the large one.
"""

from datetime import datetime, tzinfo
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from tallymast.domain.local_times import MONTHS, local_time
from tallymast.domain.thinning import kept
from tallymast.routes.evidence_picture import (
    Drawn,
    Floats,
    Ints,
    Line,
    Pane,
    Picture,
    most_from_zero,
)
from tallymast.routes.formats import number

WIDTH, HEIGHT = 300, 60
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 297.0, 4.0, 47.0
_MOST: Final = 240  # places of a line; more are not to be seen
_LEAST_INK: Final = 1.0  # Ours: one poll among many is still seen.
_NOTHING: Final = Markup("")


def sparks(picture: Picture, zone: tzinfo, words: str = "") -> tuple[tuple[str, Markup], ...]:
    """Return each pane that shows anything: its title, and its drawing as one SVG element.

    Args:
        picture: what of.
        zone: whose clock.
        words: the same for who does not see it; empty where that stands beside it.

    """
    ends = _ends(picture, zone)
    return tuple(
        (pane.title, _spark(picture, pane, ends, words or f"{picture.caption}: {pane.title}"))
        for pane in picture.panes
        if _known(pane)
    )


def _ends(picture: Picture, zone: tzinfo) -> Markup:
    """Return what the axis begins and ends with: days, or hours of the day."""
    if picture.by_hour:
        words = ("00:00", "24:00")
    else:
        first, last = (local_time(ms, zone) for ms in picture.span)
        words = (_end(first, first.date() == last.date()), _end(last, first.date() == last.date()))
    text = Markup('<text x="{}" y="58" text-anchor="{}">{}</text>')
    return text.format(_LEFT, "start", words[0]) + text.format(_RIGHT, "end", words[1])


def _end(at: datetime, same_day: bool) -> str:
    return f"{at:%H:%M}" if same_day else f"{at.day} {MONTHS[at.month - 1]}"


def _spark(picture: Picture, pane: Pane, ends: Markup, words: str) -> Markup:
    low, high = scale_of(pane) if not pane.from_zero else (0.0, most_from_zero(picture.panes))
    begin, end = (0.0, 24.0) if picture.by_hour else map(float, picture.span)
    parts = [_words_of_scale(pane, low, high), ends]
    if picture.window is not None:
        parts.append(_window(picture.window, begin, end))
    parts += [_level(value, low, high) for value, _ in pane.levels if low <= value <= high]
    parts += [_drawn(line, (begin, end), (low, high)) for line in pane.lines if len(line.at)]
    if not picture.by_hour:
        parts += [_mark(_x(ms, begin, end)) for ms, _ in picture.marks if begin <= ms <= end]
    return Markup(
        '<svg class="evidencespark" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>'
    ).format(WIDTH, HEIGHT, words, _NOTHING.join(parts))


def _known(pane: Pane) -> bool:
    return any(not np.isnan(line.values).all() for line in pane.lines if len(line.values))


def scale_of(pane: Pane) -> tuple[float, float]:
    """Return the ends of the scale: all values, and such levels as lie near them."""
    values = np.concatenate([line.values[~np.isnan(line.values)] for line in pane.lines])
    low, high = float(values.min()), float(values.max())
    room = max(high - low, 0.02 * max(abs(high), 1.0))
    near = [value for value, _ in pane.levels if low - room <= value <= high + room]
    low, high = min(low, *near, low), max(high, *near, high)
    if pane.unit == "%" and low + room > 100.0:  # no share is above the whole
        return 100.0 - room, 100.0
    return low, max(high, low + room)


def _x(at: float, begin: float, end: float) -> float:
    return round(_LEFT + (at - begin) / (end - begin) * (_RIGHT - _LEFT), 1)


def _y(value: float, low: float, high: float) -> float:
    return round(_BOTTOM - (value - low) / (high - low) * (_BOTTOM - _TOP), 1)


def _drawn(line: Line, across: tuple[float, float], scale: tuple[float, float]) -> Markup:
    keep = kept(line.values, _MOST)
    at, values = line.at[keep].astype(np.float64), line.values[keep]
    places = [
        None if gap else (_x(when, *across), _y(value, *scale))
        for when, value, gap in zip(
            at.tolist(), values.tolist(), np.isnan(values).tolist(), strict=True
        )
    ]
    if line.drawn is Drawn.DOTS:
        return _dots([place for place in places if place is not None])
    if line.drawn is Drawn.BARS:
        return _bars(places, _bar_width(line.at, across), line.place)
    return _path(places, line)


def _path(places: list[tuple[float, float] | None], line: Line) -> Markup:
    """Return lines between neighbours; a lone value is a dot, a gap stays a gap."""
    runs: list[list[tuple[float, float]]] = [[]]
    for place in places:
        if place is None:
            runs.append([])
        else:
            runs[-1].append(place)
    path = ""
    for run in runs:
        if len(run) == 1:
            path += f"M{run[0][0]:g} {run[0][1]:g}h.1"
        elif run:
            path += "M" + "L".join(f"{x:g} {y:g}" for x, y in run)
    kind = "edge" if line.drawn is Drawn.EDGE else f"s{line.place}"
    return Markup('<path class="line {}" d="{}"/>').format(kind, path)


def _dots(places: list[tuple[float, float]]) -> Markup:
    dot = Markup('<circle class="dot" cx="{}" cy="{}" r="1.6"/>')
    return _NOTHING.join(dot.format(x, y) for x, y in places)


def _bars(places: list[tuple[float, float] | None], width: float, place: int) -> Markup:
    path = ""
    for one in places:
        if one is not None and one[1] < _BOTTOM:
            high = max(_BOTTOM - one[1], _LEAST_INK)
            path += f"M{one[0] - width / 2:.1f} {_BOTTOM:g}v-{high:.1f}h{width:.1f}v{high:.1f}z"
    return Markup('<path class="bar s{}" d="{}"/>').format(place, path)


def _bar_width(at: Ints | Floats, across: tuple[float, float]) -> float:
    step = float(np.diff(at).min()) if len(at) > 1 else (across[1] - across[0]) / 24
    return max(0.8 * step / (across[1] - across[0]) * (_RIGHT - _LEFT), 0.5)


# --- around the lines -----------------------------------------------------------------------


def _words_of_scale(pane: Pane, low: float, high: float) -> Markup:
    """Return the ends of the scale with the unit, and the ground line."""
    decimals = 0 if high - low >= 5 else 1 if high - low >= 0.5 else 2
    text = Markup('<text x="36" y="{}" text-anchor="end">{}</text>')
    unit = f"\u00a0{pane.unit}" if len(pane.unit) <= 3 else ""
    upper, lower = f"{number(high, decimals)}{unit}", number(low, decimals)
    if pane.words:
        upper, lower = pane.words[1], pane.words[0]
    return Markup('<path class="base" d="M40 47H297"/>') + _NOTHING.join(
        (text.format(_TOP + 6, escape(upper)), text.format(_BOTTOM, escape(lower)))
    )


def _level(value: float, low: float, high: float) -> Markup:
    return Markup('<path class="level" d="M40 {}H297"/>').format(_y(value, low, high))


def _mark(x: float) -> Markup:
    return Markup('<path class="mark-at" d="M{} 2V47"/>').format(x)


def _window(window: tuple[float, float], begin: float, end: float) -> Markup:
    first, last = window
    parts = [(first, last)] if first <= last else [(begin, last), (first, end)]
    path = "".join(
        f"M{_x(one, begin, end):g} 4H{_x(then, begin, end):g}V47H{_x(one, begin, end):g}z"
        for one, then in parts
    )
    return Markup('<path class="window" d="{}"/>').format(path)
